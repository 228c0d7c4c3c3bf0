"""What every registered detector must keep, and bad ones that must fail."""

from pathlib import Path

import numpy as np
import pytest

from moteyard.detectors import ContractError, Spots, check_answer, load, names
from moteyard.detectors.contract_checks import CHECKS, OBVIOUS, PLAIN_GROUND
from moteyard.detectors.contract_frames import frame, sky

EXAMPLES = [f"{Path(__file__).parent / 'examples' / file}" for file in ("darkest.py:Darkest", "contrast.py:Contrast")]
BREAKERS = Path(__file__).parent / "bench" / "breakers.py"
ALL = [*names(), *EXAMPLES]
SPARED = {("guess", PLAIN_GROUND), ("guess", OBVIOUS), ("nothing", OBVIOUS)}
"""What the controls are there for not to do."""


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("spec", ALL, ids=lambda spec: spec.rpartition(":")[2])
def test_contract(spec, check):
    if (spec, check) in SPARED:
        with pytest.raises(ContractError, match=r"candidates? on a frame|highest score lies|found nothing"):
            CHECKS[check].run(lambda: load(spec))
    else:
        CHECKS[check].run(lambda: load(spec))


@pytest.mark.parametrize(
    ("name", "check", "message"),
    [
        ("Unnamed", "name and version", "version is 2, not 1 to 24 letters"),
        ("Lonely", "one answer a photograph", "answered 1 times for a roll of 3"),
        ("Lonely", "empty roll", "answered 1 times for a roll of 0"),
        ("Forgetful", "same answer", "another answer from the same photograph later in one roll"),
        ("Foresighted", "growing roll", "detect_latest and detect say different things of photograph 1 of a roll"),
        ("Reseeding", "random state", "global random state was changed"),
        ("Painting", "pixels", "pixels were changed"),
        ("Eager", PLAIN_GROUND, "1 candidate on a frame that is all black"),
        ("Eager", "any size", r"with a frame of 1×1 pixels: answer 0: x\[0\] = 90.0 lies outside"),
        ("Eager", OBVIOUS, r"with 8 bits, exposure 1.0, f-number 5.6: the highest score lies at \(90.0, 90.0\)"),
        ("Blind", OBVIOUS, "found nothing where a shadow"),
        ("Dark", "black and saturated", "score.* is .*inf"),
        ("Trusting", "any metadata", "unsupported operand"),
    ],
)
def test_a_breaker_is_caught(name, check, message):
    with pytest.raises((ContractError, TypeError), match=message):
        CHECKS[check].run(lambda: load(f"{BREAKERS}:{name}"))


def test_every_check_has_a_detector_that_breaks_it():
    marks = next(mark for mark in test_a_breaker_is_caught.pytestmark if mark.name == "parametrize")
    assert {check for _, check, _ in marks.args[1]} == set(CHECKS)


def spots(**changed):
    return Spots(**({"x": [3], "y": [4], "diameter_px": [9], "score": [1]} | changed))


@pytest.mark.parametrize(
    ("bad", "message"),
    [
        (None, "must return a list of Spots, not NoneType"),
        ((spots(),), "must return a list of Spots, not tuple"),
        ([], "answered 0 times for a roll of 1 photographs"),
        ([spots(), spots()], "answered 2 times"),
        ([[3, 4, 9, 1]], "answer 0 must be Spots, not list"),
        ([spots(score=[np.nan])], r"score\[0\] is nan, not a finite number"),
        ([spots(diameter_px=[np.inf])], r"diameter_px\[0\] is inf"),
        ([spots(x=[400])], r"x\[0\] = 400.0 lies outside the frame, −0.5…399.5"),
        ([spots(y=[-1])], r"y\[0\] = -1.0 lies outside"),
        ([spots(diameter_px=[0])], r"diameter_px\[0\] = 0.0 is not positive"),
    ],
)
def test_a_bad_answer_fails(bad, message):
    with pytest.raises(ContractError, match=message):
        check_answer(bad, [frame(sky())])


def test_outer_edges_are_inside():
    check_answer([spots(x=[-0.5], y=[319.5])], [frame(sky())])
