"""`moteyard list`: what there is to use."""

from __future__ import annotations

from ..detectors.registry import entries
from ..generators.backgrounds import BACKGROUNDS
from ..generators.contamination import state_names, state_summary
from .repairs.registry import entries as repair_entries
from .roll_suite import load_roll_suite, roll_suite_names
from .suite_file import load_suite, suite_names
from .surveys.suite import load_survey_suite, survey_suite_names


def list_all() -> int:
    """Print suites, detectors, repairs, states and backgrounds, a line each; a broken plug-in shows why."""
    print("SUITES")
    for name in suite_names():
        suite = load_suite(name)
        print(f"  {name:<16}{suite.summary}")
    print("\nSUITES OF ROLLS")
    for name in roll_suite_names():
        print(f"  {name:<16}{load_roll_suite(name).summary}")
    print("\nSUITES OF SURVEYS")
    for name in survey_suite_names():
        print(f"  {name:<16}{load_survey_suite(name).summary}")
    print("\nDETECTORS")
    for entry in entries():
        print(f"  {entry.name:<16}{entry.problem or entry.summary}")
    print("  path/to/file.py:Class  one of your own")
    print("\nREPAIRS")
    for entry in repair_entries():
        print(f"  {entry.name:<16}{entry.problem or entry.summary}")
    print("  path/to/file.py:Class  one of your own")
    print("\nSTATES OF THE FILTER")
    for name in state_names():
        print(f"  {name:<16}{state_summary(name)}")
    print("\nBACKGROUNDS")
    for name, kind in BACKGROUNDS.items():
        print(f"  {name:<16}{(kind.__doc__ or '').strip().splitlines()[0]}")
    return 0
