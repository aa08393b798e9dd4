"""Processes that begin at once: forked from one that has imported the program already.

Each is a process like any other, with a number, pipes, locks and files of its own, and is killed and waited for
like any other. Only the second or two of imports, the same every time, fall away.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from threading import Thread
from typing import Any, TextIO

_PARENT = """
import json, os, socket, sys, traceback
import fleetlog.cli.main, fleetlog.session.fleet, fleetlog.store.copies, fleetlog.store.integrity

def run(ask, fds):
    for number, fd in enumerate(fds):
        os.dup2(fd, number)
    sys.argv = ask["arguments"]
    os.chdir(ask["cwd"])
    status = 0
    try:
        exec(compile(ask["code"], "<code>", "exec"), {"__name__": "__main__"})
    except SystemExit as left:
        status = left.code if isinstance(left.code, int) else int(left.code is not None)
    except BaseException:
        traceback.print_exc()
        status = 1
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    finally:
        os._exit(status)

def answer(ask, fds):
    if "code" in ask:
        return os.fork() or run(ask, fds)
    pid, status = os.waitpid(ask["pid"], os.WNOHANG if ask["at_once"] else 0)
    return os.waitstatus_to_exitcode(status) if pid else None

line = socket.socket(fileno=int(sys.argv[1]))
while True:
    message, fds, _, _ = socket.recv_fds(line, 1 << 20, 3)
    if not message:
        break
    line.send(json.dumps(answer(json.loads(message), fds)).encode())
    for fd in fds:
        os.close(fd)
"""

COMMAND = "from fleetlog.cli.main import run; run()"
"""The command line, as code for `Forks.start`."""


@dataclass
class Process:
    """A process, with the part of `subprocess.Popen` that the tests use."""

    pid: int
    stdout: TextIO
    stderr: TextIO
    _ask: Callable[[dict[str, Any]], Any]
    returncode: int | None = field(default=None)

    def send_signal(self, number: signal.Signals) -> None:
        os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def poll(self) -> int | None:
        if self.returncode is None:
            self.returncode = self._ask({"pid": self.pid, "at_once": True})
        return self.returncode

    def wait(self) -> int:
        if self.returncode is None:
            self.returncode = self._ask({"pid": self.pid, "at_once": False})
        assert self.returncode is not None
        return self.returncode

    def communicate(self) -> tuple[str, str]:
        """All that it still says, once it has ended."""
        err: list[str] = []
        listener = Thread(target=lambda: err.append(self.stderr.read()))
        listener.start()
        out = self.stdout.read()
        listener.join()
        self.wait()
        self.stdout.close()
        self.stderr.close()
        return out, err[0]


class Forks:
    """The process that forks, and the line to it. One test at a time may use it."""

    def __init__(self) -> None:
        self._line, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _PARENT, str(theirs.fileno())], pass_fds=[theirs.fileno()]
            )

    def start(self, code: str, *arguments: object, cwd: Path | None = None) -> Process:
        """Runs Python code in a process of its own, with `sys.argv[1:]` the arguments."""
        (out, out_end), (err, err_end) = os.pipe(), os.pipe()
        nothing = os.open(os.devnull, os.O_RDONLY)
        fds = [nothing, out_end, err_end]
        try:
            question = {
                "code": code,
                "arguments": ["fleetlog", *map(str, arguments)],
                "cwd": str(cwd or Path.cwd()),
            }
            pid = self._ask(question, fds)
        finally:
            for fd in fds:
                os.close(fd)
        return Process(pid, open(out, encoding="utf-8"), open(err, encoding="utf-8"), self._ask)

    def run(self, code: str, *arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
        """The same, awaited."""
        process = self.start(code, *arguments, cwd=cwd)
        out, err = process.communicate()
        return subprocess.CompletedProcess([code, *map(str, arguments)], process.wait(), out, err)

    def close(self) -> None:
        self._line.close()
        self._process.wait()

    def _ask(self, question: dict[str, Any], fds: list[int] | None = None) -> Any:
        socket.send_fds(self._line, [json.dumps(question).encode()], fds or [])
        heard = self._line.recv(1 << 16)
        if not heard:
            raise RuntimeError("the process that forks has died")
        return json.loads(heard)
