"""Which candidates a threshold takes, and which shadows they find."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .cells import Record
from .match import NO_TRUTH, match


def taken(record: Record, threshold: float) -> NDArray[Any]:
    """Return the candidates above a threshold (`SPOT_TYPE`), strongest first."""
    return np.asarray(record.result.spots[record.result.spots["score"] > threshold])


def found_shadows(record: Record, threshold: float) -> NDArray[np.bool_]:
    """Return which of a frame's shadows, plain or not, the candidates above a threshold find.

    The pairs are the most and nearest that the gates allow, over all shadows: what nobody could see counts
    here too, since a detection limit asks for the size and not for the observer.
    """
    truth, spots = record.frame.truth, taken(record, threshold)
    centres, places = ([table["x"], table["y"]] for table in (truth, spots))
    pairs = match(np.column_stack(centres), truth["fwhm_px"] / 2, spots_xy=np.column_stack(places))
    found = np.zeros(len(truth), dtype=bool)
    found[pairs.truth_of_spot[pairs.truth_of_spot != NO_TRUTH]] = True
    return found
