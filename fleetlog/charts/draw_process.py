"""Draws what it is handed, line by line: the program of the processes that `drawer` starts.

It is run by its path and imports nothing of ours, so that it starts at once.
"""

from __future__ import annotations

import json
import sys

import vl_convert


def serve() -> None:
    """A specification and the grammar's version a line in, an SVG or an error a line out."""
    for line in sys.stdin.buffer:
        spec, grammar = json.loads(line)
        try:
            answer = {"svg": vl_convert.vegalite_to_svg(spec, vl_version=grammar, allowed_base_urls=[])}
        except Exception as error:
            answer = {"error": str(error)}
        sys.stdout.buffer.write(json.dumps(answer).encode() + b"\n")
        sys.stdout.buffer.flush()


if __name__ == "__main__":
    serve()
