"""What a method costs over the whole range of opinions on how bad a missed shadow is.

One miss costs as much as r needless repairs. Nobody knows r to better than a factor, and methods change places along
it, so one number for one ratio is not shown alone. At each ratio a method takes the threshold that costs least on the
calibration half of a cell, and what stands here is the cost on the held-out half,

    (r·misses + false alarms) / (r·shadows),

over that of taking nothing: 0 is perfect, 1 and more is better left out. The idea of drawing cost over its ratio
follows C. Drummond & R. C. Holte, 'Cost curves', Machine Learning 65 (2006) 95 (from memory); theirs is for
classifiers, this one for points, whose true negatives can't be counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .ceiling import NAME, ceiling
from .cells import Record, Table, f_numbers, grounds, where
from .choice import halves
from .curve import above, ratio
from .wishes.cost import cheapest
from .wishes.counting import levels

FloatArray = NDArray[np.float64]

RATIOS = tuple(float(2.0 ** (step / 2)) for step in range(-8, 17))
"""From a needless repair that is as bad as 16 misses to a miss that is as bad as 256 needless repairs."""


def held_out_cost(records: Sequence[Record]) -> FloatArray:
    """Return one method's cost in a cell at each of `RATIOS`.

    It is nan without held-out shadows, and with one block only: then nothing is left to choose on.
    """
    calibration, held_out = halves(records)
    shadows = sum(record.frame.counted for record in held_out)
    if not calibration:
        return np.full(len(RATIOS), np.nan)
    score, hit, _ = levels(calibration)
    thresholds = [cheapest(score, hit, miss=worth, false=1.0) for worth in RATIOS]
    score, hit, _ = levels(held_out)
    hits, false = (above(some, np.array(thresholds)) for some in (score[hit], score[~hit]))
    worth = np.array(RATIOS)
    return np.asarray(ratio(worth * (shadows - hits) + false, worth * shadows))


def cost_cells(table: Table) -> list[dict[str, Any]]:
    """Return for each cell its labels and the costs of every method and of the ideal observer, as in `explore`."""
    return [
        {"ground": ground, "f_number": f_number, "methods": _methods(where(table, ground=ground, f_number=f_number))}
        for ground in grounds(table)
        for f_number in f_numbers(table)
    ]


def _methods(cell: Table) -> dict[str, dict[str, FloatArray]]:
    everyone = {**cell, NAME: ceiling(next(iter(cell.values())))}
    return {name: {"cost": held_out_cost(records)} for name, records in everyone.items() if records}
