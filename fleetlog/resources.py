"""Where the files that are not Python live: sql/, reports/ and demo_data/.

In a working copy they stand beside the package; in an installed wheel inside it, under _data/.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


@cache
def folder(name: str) -> Path:
    """The folder `name` ("sql", "reports" or "demo_data") of this installation.

    Raises:
        FileNotFoundError: when the installation is incomplete.
    """
    for root in (_PACKAGE / "_data", _PACKAGE.parent):
        if (root / name).is_dir():
            return root / name
    raise FileNotFoundError(f"this installation of fleetlog lacks its folder {name}/; install it again")
