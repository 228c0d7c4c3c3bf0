"""Whether an answer keeps the contract: run on every answer before it is scored."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .contract import Photograph, Spots


class ContractError(ValueError):
    """A detector's answer is not what the contract asks for."""


def check_answer(answer: object, roll: Sequence[Photograph]) -> None:
    """Return if the answer is one `Spots` a photograph, finite, inside its frame, with positive diameters.

    Inside means −0.5 ≤ x ≤ width − 0.5, the outer edges of the first and last pixel; so for y.

    Raises
    ------
    ContractError
        With one sentence that names the photograph, the column and the value.
    """
    if not isinstance(answer, list):
        raise ContractError(f"detect must return a list of Spots, not {type(answer).__name__}")
    if len(answer) != len(roll):
        raise ContractError(f"detect answered {len(answer)} times for a roll of {len(roll)} photographs")
    for number, (spots, photograph) in enumerate(zip(answer, roll, strict=True)):
        if not isinstance(spots, Spots):
            raise ContractError(f"answer {number} must be Spots, not {type(spots).__name__}")
        _check_spots(spots, photograph, number)


def _check_spots(spots: Spots, photograph: Photograph, number: int) -> None:
    for name in ("x", "y", "diameter_px", "score"):
        column = getattr(spots, name)
        bad = np.flatnonzero(~np.isfinite(column))
        if len(bad):
            raise ContractError(f"answer {number}: {name}[{bad[0]}] is {column[bad[0]]}, not a finite number")
    height, width = photograph.shape
    for name, side in (("x", width), ("y", height)):
        column = getattr(spots, name)
        bad = np.flatnonzero((column < -0.5) | (column > side - 0.5))
        if len(bad):
            raise ContractError(
                f"answer {number}: {name}[{bad[0]}] = {column[bad[0]]} lies outside the frame, −0.5…{side - 0.5}"
            )
    bad = np.flatnonzero(spots.diameter_px <= 0)
    if len(bad):
        raise ContractError(f"answer {number}: diameter_px[{bad[0]}] = {spots.diameter_px[bad[0]]} is not positive")
