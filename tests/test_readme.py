"""The README's example is the file that the tests run, and its commands exist."""

import re
from pathlib import Path

from moteyard.bench.cli import _parser

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_example_is_the_tested_file():
    (shown,) = re.findall(r"```python\n(.*?)```", README, flags=re.DOTALL)
    assert shown == (ROOT / "tests" / "examples" / "darkest.py").read_text(encoding="utf-8")


def test_the_guide_ends_with_the_tested_file():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    *_, shown = re.findall(r"```python\n(.*?)```", guide, flags=re.DOTALL)
    assert shown == (ROOT / "tests" / "examples" / "contrast.py").read_text(encoding="utf-8")


def test_every_command_is_one():
    commands = next(a for a in _parser()._actions if a.dest == "==SUPPRESS==" or (a.choices and "rank" in a.choices))
    named = set(re.findall(r"moteyard ([a-z-]+)", README))
    assert named <= set(commands.choices)
    assert set(commands.choices) <= named


def test_linked_files_exist():
    for target in re.findall(r"\]\(([^)#:]+)\)", README):
        assert (ROOT / target).exists(), target
