"""Weights in integers, so rounded that what they are summed with notices least."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from ...detectors.network.in_bytes import LANES, NOTHING

Array = NDArray[Any]

DAMPING = 1e-5
"""Share of the mean square that is added to that of every input, so that none is taken for known."""

CONTRASTS = 8
"""Lanes of them, the first."""

EVERY = 7
"""One place in so many rows and columns of the frames tells what the first layer sees."""


def rounded_rows(rows: Array, moments: Array) -> tuple[Array, Array]:
    """Return weights (n, k) as integers of eight bits, and the scale of each row; see `well_rounded`."""
    scales = np.maximum(np.abs(rows).max(axis=1) / 127, 1e-12).astype(np.float32)
    return well_rounded(rows / scales[:, None], moments).astype(np.int8), scales


def well_rounded(rows: Array, moments: Array) -> Array:
    """Return weights (n, k) rounded to integers up to 127, one after the other.

    The weights that are left make up for what rounding one has changed in the sums, as far as inputs go together
    (Frantar et al., arXiv:2210.17323, after Hassibi & Stork's optimal brain surgeon; from memory). Zeros stay zeros.
    """
    used = np.flatnonzero(np.abs(rows).max(axis=0))
    moments = moments[np.ix_(used, used)]
    moments = moments + DAMPING * np.trace(moments) / len(used) * np.eye(len(used))
    spread = np.linalg.cholesky(np.linalg.inv(moments)).T
    left, whole = rows[:, used].copy(), np.zeros_like(rows)
    for n, column in enumerate(used.tolist()):
        whole[:, column] = np.clip(np.rint(left[:, n]), -127, 127)
        left -= np.outer((left[:, n] - whole[:, column]) / spread[n, n], spread[n])
    return whole


def second_moments(shown: Sequence[Array]) -> Array:
    """Return the mean products of what lies under two places of a kernel over lanes, (9·LANES, 9·LANES).

    All frames count the same, however strong their contrasts: faint shadows lie in the quiet ones.
    """
    total = np.zeros((9 * LANES, 9 * LANES))
    for each in shown:
        windows = sliding_window_view(each.astype(np.float32) - NOTHING, (3, 3), axis=(0, 1))[::EVERY, ::EVERY]
        flat = windows.reshape(-1, 9 * LANES)
        here = flat.T @ flat
        total += here / np.trace(here[: 9 * CONTRASTS, : 9 * CONTRASTS])
    return total
