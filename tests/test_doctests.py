"""The examples in the docstrings, run under the installed names."""

import doctest
import importlib
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parent.parent
NAMES = [
    ".".join(("moteyard", *path.relative_to(ROOT).with_suffix("").parts))
    for layer in ("generators", "detectors", "bench")
    for path in sorted((ROOT / layer).rglob("*.py"))
    if path.stem != "__init__" and ">>>" in path.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("name", NAMES)
def test_examples(name):
    # A library that other tests import sets numpy back to the way it printed in 2017.
    with np.printoptions(legacy=False):
        result = doctest.testmod(importlib.import_module(name))
    assert result.attempted > 0
    assert result.failed == 0
