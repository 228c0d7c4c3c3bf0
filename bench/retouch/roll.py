"""`moteyard retouch --roll`: photographs of one camera, mended by what all of them say of each grain."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from ...detectors.consensus_notes import notes_on
from ...detectors.consensus_study import Study
from ...detectors.contract import Photograph
from ...detectors.network.together import NetworkConsensus, study_together
from ...detectors.registry import fingerprint
from ...generators.photo_io import Picture
from ..errors import YardError
from ..field.counted import counted
from ..field.roll_find import PhotographFiles, default_threshold
from .photographs import Wish, retouch
from .plan import Plan
from .record import file_digest
from .roll_pairs import plan_in_roll, settled
from .roll_sizes import Sizes


def retouch_roll(photos: Sequence[Path], wish: Wish, *, threshold: float | None) -> int:
    """Look at all photographs together, then mend each. Returns the exit status.

    Parameters
    ----------
    threshold
        Grains with more evidence are mended; None for `default_threshold`.
    """
    if threshold is not None and not math.isfinite(threshold):
        raise YardError(f"--threshold must be a number, not {threshold}")
    roll = PhotographFiles(photos, wish.f_number)
    limit = default_threshold(math.prod(roll[0].shape) / 1e6) if threshold is None else threshold
    settings = {
        "evidence": "the photographs of the roll together, looked at again once mended",
        "detector": fingerprint(NetworkConsensus()),
        "threshold": repr(limit),
        "roll": [file_digest(path) for path in photos],
    }
    return retouch(photos, wish, plan=_LatePlanner(photos, roll, wish, limit), settings=settings)


class _LatePlanner:
    """Studies the roll when the first photograph is asked for: a roll that is done needs no study."""

    def __init__(self, photos: Sequence[Path], roll: PhotographFiles, wish: Wish, limit: float) -> None:
        self._photos, self._roll, self._wish, self._limit = list(photos), roll, wish, limit
        self._made: tuple[Study, Sizes] | None = None

    def __call__(self, photograph: Photograph, picture: Picture) -> Plan:
        if self._made is None:
            self._made = self._study()
        taken, sizes = self._made
        index = self._photos.index(picture.path)
        plan = plan_in_roll(taken, sizes, index, self._roll.as_it_lay(index, photograph))
        return replace(plan, spots=self._roll.as_displayed(index, plan.spots))

    def _study(self) -> tuple[Study, Sizes]:
        with counted(self._roll, "looking together") as shown:
            whole = study_together(shown)
        taken, sizes = settled(self._roll, whole, limit=self._limit, filter_distance_mm=self._wish.filter_distance_mm)
        print(
            f"{len(self._photos)} photographs: {len(taken.grains)} grains with evidence above {self._limit:.1f}, "
            f"{sizes.filter_distance_mm:.2g} mm before the photosites"
        )
        for note in notes_on(whole, [self._roll.f_numbers[index] for index in range(len(self._roll))]):
            print(f"note: {note}")
        return taken, sizes
