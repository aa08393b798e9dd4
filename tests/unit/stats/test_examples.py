"""The examples in the docstrings of the statistics come out as they say."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import numpy as np
import pytest

import fleetlog.stats

MODULES = sorted(path.stem for path in Path(fleetlog.stats.__file__).parent.glob("[!_]*.py"))


@pytest.mark.parametrize("name", MODULES)
def test_examples_come_out(name: str) -> None:
    module = importlib.import_module(f"fleetlog.stats.{name}")
    failed = doctest.testmod(module, extraglobs={"np": np}, report=False).failed
    assert failed == 0
