"""What a method costs over the whole range of opinions on how bad a missed shadow is.

One miss costs as much as r needless repairs. At the threshold that is cheapest for r, a frame costs
r·(misses) + (false alarms) repairs; divided by r·(shadows), the cost of leaving all of them, this is 0 for a perfect
method and 1 for one that is better left out. The idea of drawing cost over its ratio instead of choosing one follows
C. Drummond & R. C. Holte, 'Cost curves', Machine Learning 65 (2006) 95 (from memory); theirs is for classifiers, this
one for points, whose true negatives can't be counted.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .curve import Curve

FloatArray = NDArray[np.float64]

RATIOS = tuple(float(2.0 ** (step / 2)) for step in range(-8, 17))
"""From a needless repair that is as bad as 16 misses to a miss that is as bad as 256 needless repairs."""


def relative_cost(counts: Curve, ratios: Sequence[float] = RATIOS) -> FloatArray:
    """Return the least cost over all thresholds as a share of the cost of leaving every shadow.

    0…1, less is better; nan without shadows. The threshold is the cheapest on the same frames, so that small
    differences flatter.

    >>> from moteyard.bench.curve import curve
    >>> counts = curve(np.array([3.0, 2.0, 1.0]), np.array([True, False, True]), truths=2, frames=1)
    >>> relative_cost(counts, [0.25, 1.0, 4.0]).tolist()
    [0.5, 0.5, 0.125]
    """
    if counts.truths == 0:
        return np.full(len(ratios), np.nan)
    hits, false = np.append(0.0, counts.hits), np.append(0.0, counts.false_alarms)
    worth = np.asarray(ratios, dtype=np.float64)[:, None]
    return np.asarray(((worth * (counts.truths - hits) + false) / (worth * counts.truths)).min(axis=1))
