"""What each method costs over the whole ratio of two costs: a needless repair against a miss.

Nobody knows the ratio to better than a factor, and methods change places along it, so one number for one ratio is
not shown alone. At each ratio a method takes the thresholds that cost least on the calibration half, and what stands
here is the cost on the held-out half over that of taking nothing: 1 and more is no use, 0 is perfect.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .cells import Record, Table, f_numbers, grounds, where
from .choice import halves
from .curve import ratio
from .wishes.cost import cheapest
from .wishes.counting import levels, taken

FloatArray = NDArray[np.float64]

RATIOS = 2.0 ** np.arange(-5, 6)
"""Cost of a needless repair over that of a miss: from a print nobody will look at twice to a face."""


def cost_curves(table: Table) -> dict[str, dict[str, FloatArray]]:
    """Return by ground and method the cost at each of `RATIOS`, all apertures together.

    It is nan without shadows, and where an aperture has one block only: then nothing is left to choose on.
    """
    return {
        ground: {name: _curve(where(table, ground=ground), name) for name in table if table[name]}
        for ground in grounds(table)
    }


def _curve(table: Table, name: str) -> FloatArray:
    cells = [_cell(where(table, f_number=f_number)[name]) for f_number in f_numbers(table)]
    costs, shadows = (np.sum(parts, axis=0) for parts in zip(*cells, strict=True))
    return np.asarray(ratio(costs, shadows))


def _cell(records: Sequence[Record]) -> tuple[FloatArray, float]:
    """Return the held-out cost at each ratio, a miss costing 1, and the number of held-out shadows, or nan."""
    calibration, held_out = halves(records)
    if not calibration:
        return np.full(len(RATIOS), np.nan), np.nan
    costs = np.zeros(len(RATIOS))
    score, hit, _ = levels(calibration)
    for number, repair in enumerate(RATIOS.tolist()):
        hits, false, counted = taken(held_out, cheapest(score, hit, miss=1.0, false=repair))
        costs[number] = (counted - hits + repair * false).sum()
    return costs, float(sum(record.frame.counted for record in held_out))
