"""What every detector must keep, as checks that say what is wrong and how to mend it.

The tests run them on every registered detector, `moteyard check` on one file.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .check import ContractError, check_answer
from .contract import Cumulative, Detector, Photograph, Spots
from .contract_frames import (
    F_NUMBER,
    METADATA,
    PLAIN,
    SHAPES,
    SPOT_WIDTH,
    SPOT_X,
    SPOT_Y,
    frame,
    half_black_half_saturated,
    noise,
    sky,
)

Make = Callable[[], Detector]
"""Returns a new instance of the detector."""

NAME = re.compile(r"[A-Za-z0-9_.-]{1,24}")
"""Names stand in tables, files and pages: short, and of one line."""


@dataclass(frozen=True, slots=True)
class Check:
    """One demand.

    Attributes
    ----------
    demand
        What is asked, a short sentence.
    mend
        What to do where it is not met.
    run
        Raises `ContractError`, or whatever the detector raises, where it is not met.
    """

    demand: str
    mend: str
    run: Callable[[Make], None]


def _answer(detector: Detector, *roll: Photograph) -> list[Spots]:
    spots = detector.detect(roll)
    check_answer(spots, roll)
    return spots


def _columns(spots: Spots) -> NDArray[np.float32]:
    return np.stack([spots.x, spots.y, spots.diameter_px, spots.score])


def _is_named(make: Make) -> None:
    detector = make()
    for part in ("name", "version"):
        value = getattr(detector, part)
        if not isinstance(value, str) or not NAME.fullmatch(value):
            raise ContractError(f"{part} is {value!r}, not 1 to 24 letters, digits, '-', '_' or '.'")


def _answers_an_empty_roll(make: Make) -> None:
    _answer(make())


def _answers_each_photograph(make: Make) -> None:
    _answer(make(), frame(sky()), frame(noise((60, 50))), frame(PLAIN["grey"]))


def _answers_alike(make: Make) -> None:
    first, second = _answer(make(), frame(sky()), frame(sky()))
    again = _answer(make(), frame(sky()))[0]
    for other, words in ((second, "the same photograph later in one roll"), (again, "a new instance")):
        if not np.array_equal(_columns(first), _columns(other)):
            raise ContractError(f"the same pixels got another answer from {words}")


def _answers_a_growing_roll(make: Make) -> None:
    detector = make()
    if not isinstance(detector, Cumulative):
        return
    roll = [frame(sky()), frame(sky(exposure=0.5)), frame(noise((320, 400)))]
    for count, latest in zip((1, 3), detector.detect_latest(roll, (1, 3)), strict=True):
        if not np.array_equal(_columns(latest), _columns(_answer(make(), *roll[:count])[-1])):
            raise ContractError(f"detect_latest and detect say different things of photograph {count} of a roll")


def _leaves_random_state(make: Make) -> None:
    before = _random_state()
    _answer(make(), frame(sky()))
    if _random_state() != before:
        raise ContractError("numpy's global random state was changed")


def _random_state() -> str:
    return repr(np.random.get_state(legacy=False))  # noqa: NPY002 (the legacy state is what is looked at)


def _leaves_pixels(make: Make) -> None:
    pixels = sky().copy()
    _answer(make(), frame(pixels))
    if not np.array_equal(pixels, sky()):
        raise ContractError("the photograph's pixels were changed")


def _finds_nothing_on_plain(make: Make) -> None:
    for name, pixels in PLAIN.items():
        count = len(_answer(make(), frame(pixels))[0])
        if count:
            raise ContractError(f"{count} candidate{'' if count == 1 else 's'} on a frame that is all {name}")


def _takes_any_size(make: Make) -> None:
    for shape in SHAPES:
        with _naming(f"a frame of {shape[1]}×{shape[0]} pixels"):
            _answer(make(), frame(noise(shape)), frame(noise(shape, bits=16), f_number=None))


def _takes_black_and_saturated(make: Make) -> None:
    _answer(make(), frame(half_black_half_saturated()))


def _takes_any_metadata(make: Make) -> None:
    for f_number, pixel_um in METADATA:
        with _naming(f"f-number {f_number} and pixel pitch {pixel_um} µm"):
            _answer(make(), frame(sky(), f_number, pixel_um))


def _finds_the_obvious(make: Make) -> None:
    for bits, exposure, f_number in np.ndindex(2, 2, 2):
        pixels = sky(bits=(8, 16)[bits], exposure=(1.0, 0.5)[exposure])
        known = (F_NUMBER, None)[f_number]
        with _naming(f"{(8, 16)[bits]} bits, exposure {(1.0, 0.5)[exposure]}, f-number {known}"):
            _comes_first(_answer(make(), frame(pixels, f_number=known))[0].strongest(1))


def _comes_first(top: Spots) -> None:
    if len(top) == 0:
        raise ContractError("found nothing where a shadow of 20 % depth lies on smooth sky")
    if np.hypot(top.x[0] - SPOT_X, top.y[0] - SPOT_Y) >= SPOT_WIDTH / 5:
        raise ContractError(
            f"the highest score lies at ({top.x[0]:.1f}, {top.y[0]:.1f}), the only shadow at ({SPOT_X:g}, {SPOT_Y:g})"
        )


class _naming:  # noqa: N801 (reads as a verb)
    """Put the case in front of what a check says, and add it as a note to what the detector raises."""

    def __init__(self, case: str) -> None:
        self.case = case

    def __enter__(self) -> None:
        pass

    def __exit__(self, _: object, error: BaseException | None, __: object) -> None:
        if isinstance(error, ContractError):
            raise ContractError(f"with {self.case}: {error}") from error
        if error is not None:
            error.add_note(f"with {self.case}")


OBVIOUS = "the obvious shadow first"
PLAIN_GROUND = "nothing on plain ground"

CHECKS: dict[str, Check] = {
    "name and version": Check(
        "name and version are short words",
        "set name and version on the class, as in: name, version = 'mine', '1'",
        _is_named,
    ),
    "empty roll": Check(
        "no photographs, no answers",
        "return a list with one Spots a photograph, so [] for no photographs; SingleFrame does it for you",
        _answers_an_empty_roll,
    ),
    "one answer a photograph": Check(
        "three photographs of three sizes get three Spots, in their order",
        "return a list with one Spots a photograph, places inside it, Spots() where nothing is found; derive from "
        "SingleFrame and only detect_one is left to write",
        _answers_each_photograph,
    ),
    "same answer": Check(
        "the same pixels get the same answer, whoever asks and when",
        "keep nothing on self between calls, and seed what is random by the pixels (detectors/controls.py does)",
        _answers_alike,
    ),
    "growing roll": Check(
        "where there is detect_latest, it says of a roll's beginnings what detect does",
        "let nothing that follows change what it says of the photographs before, or leave detect_latest out",
        _answers_a_growing_roll,
    ),
    "random state": Check(
        "numpy's global random state stays as it was",
        "take random numbers from np.random.default_rng(seed), not from np.random itself",
        _leaves_random_state,
    ),
    "pixels": Check(
        "the photograph's pixels stay as they are",
        "copy the pixels before you write into them",
        _leaves_pixels,
    ),
    PLAIN_GROUND: Check(
        "a black, white or grey frame holds no candidates",
        "put a floor under the score, strictly above what a plain frame gives, and mind 0/0",
        _finds_nothing_on_plain,
    ),
    "any size": Check(
        "frames from 1×1 pixel on get an answer inside the frame",
        "return Spots() for frames too small for a shadow and its surroundings, and clip places to the frame",
        _takes_any_size,
    ),
    "black and saturated": Check(
        "parts that are black or saturated do no harm",
        "put a floor under logarithms and divisors; Photograph.log_luminance() has one",
        _takes_black_and_saturated,
    ),
    "any metadata": Check(
        "an f-number or pixel pitch that is missing, zero, extreme or not a number does no harm",
        "take widths from detectors/optical_scales.py: fwhm_range_px answers for any photograph",
        _takes_any_metadata,
    ),
    OBVIOUS: Check(
        "a shadow that anyone sees gets the highest score, at 8 and 16 bits, two exposures, f-number known or not",
        "look at dark spots (log luminance below its surroundings) of the widths that fwhm_range_px gives, and let a "
        "larger score mean more like dust",
        _finds_the_obvious,
    ),
}
"""By name, in the order in which they are run."""
