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


PAIR = 144
"""Most that two weights side by side may add up to with one sign. Processors without an instruction for four products
at once add two of them to sixteen bits, and what is more than those hold is cut (VPMADDUBSW; from memory): with this,
no sum of bytes up to 227 is, and of the first layer's answers on frames of the train seeds one in 10,000, without it
one in eleven. 128, with which none ever is, made errors in snow a fifth larger."""


def rounded_rows(rows: Array, moments: Array, *, taps: int = 1) -> tuple[Array, Array, Array]:
    """Return weights as integers of eight bits, the scale of each row, and its offset in units of that.

    Two neighbouring channels' weights of one tap add up to no more than `PAIR`.

    Parameters
    ----------
    rows
        Weights (n, channels·taps + 1), the last of them the offset.
    moments
        Mean products of inputs and a one behind them; see `well_rounded`.
    """
    scales = np.maximum(np.abs(rows[:, :-1]).max(axis=1) / 127, 1e-12).astype(np.float32)
    while True:
        whole = well_rounded(rows / scales[:, None], moments)
        over = largest_pair(whole[:, :-1], taps=taps) / PAIR
        if over.max() <= 1:
            return whole[:, :-1].astype(np.int8), scales, np.rint(whole[:, -1]).astype(np.int32)
        scales *= np.where(over > 1, 1.01 * over, 1).astype(np.float32)


def largest_pair(rows: Array, *, taps: int = 1) -> Array:
    """Return the largest sum in each row of two neighbouring channels' weights of one sign and tap, (n,)."""
    pairs = rows.reshape(len(rows), -1, 2, taps)
    positive, negative = (np.maximum(sign * pairs, 0).sum(axis=2) for sign in (1, -1))
    return np.asarray(np.maximum(positive, negative).max(axis=(1, 2)))


def well_rounded(rows: Array, moments: Array) -> Array:
    """Return weights (n, k) rounded to integers up to 127, one after the other, the last one as it then is.

    The weights that are left make up for what rounding one has changed in the sums, as far as inputs go together
    (Frantar et al., arXiv:2210.17323, after Hassibi & Stork's optimal brain surgeon; from memory). Zeros stay zeros.
    """
    used = np.flatnonzero(np.append(np.abs(rows[:, :-1]).max(axis=0), 1.0))
    moments = moments[np.ix_(used, used)]
    moments = moments + DAMPING * np.trace(moments) / len(used) * np.eye(len(used))
    spread = np.linalg.cholesky(np.linalg.inv(moments)).T
    left, whole = rows[:, used].copy(), np.zeros_like(rows)
    for n, column in enumerate(used[:-1].tolist()):
        whole[:, column] = np.clip(np.rint(left[:, n]), -127, 127)
        left -= np.outer((left[:, n] - whole[:, column]) / spread[n, n], spread[n])
    whole[:, -1] = left[:, -1]
    return whole


def second_moments(shown: Sequence[Array]) -> Array:
    """Return the mean products of what lies under two places of a kernel over lanes, and of a one, (9·LANES + 1)².

    All frames count the same, however strong their contrasts: faint shadows lie in the quiet ones.
    """
    total = np.zeros((9 * LANES + 1, 9 * LANES + 1))
    for each in shown:
        windows = sliding_window_view(each.astype(np.float32) - NOTHING, (3, 3), axis=(0, 1))[::EVERY, ::EVERY]
        flat = with_one(windows.reshape(-1, 9 * LANES))
        here = flat.T @ flat
        total += here / np.trace(here[: 9 * CONTRASTS, : 9 * CONTRASTS])
    return total


def with_one(inputs: Array) -> Array:
    """Return inputs (m, k) and a one behind each, (m, k + 1)."""
    return np.pad(inputs, ((0, 0), (0, 1)), constant_values=1)
