"""Frames at a threshold."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..cells import Record

FloatArray = NDArray[np.float64]


def just_below(score: float) -> float:
    """Return the highest threshold that lets a score in; scores are kept as float32."""
    return float(np.nextafter(np.float32(score), np.float32(-np.inf)))


def taken(records: Sequence[Record], threshold: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return hits, false alarms and visible shadows of each frame, (n,) each."""
    rows = [
        (
            (record.hit & (record.score > threshold)).sum(),
            (record.false_scores > threshold).sum(),
            record.frame.counted,
        )
        for record in records
    ]
    hits, false, counted = np.array(rows, dtype=np.float64).reshape(-1, 3).T
    return hits, false, counted


def blocks_of(records: Sequence[Record]) -> list[str]:
    """Return the block of each frame."""
    return [record.frame.block for record in records]


def levels(records: Sequence[Record]) -> tuple[FloatArray, NDArray[np.bool_], NDArray[np.intp]]:
    """Return score, hit and frame of every candidate that counts, highest score first."""
    score = np.concatenate([record.score for record in records]).astype(np.float64)
    hit = np.concatenate([record.hit for record in records])
    frame = np.repeat(np.arange(len(records)), [len(record.score) for record in records])
    order = np.argsort(-score, kind="stable")
    return score[order], hit[order], frame[order]


def last_of_ties(score: FloatArray) -> NDArray[np.intp]:
    """Return where the last of each run of equal scores stands: a threshold can't part them."""
    return np.flatnonzero(np.append(np.diff(score) != 0, True)) if len(score) else np.zeros(0, dtype=np.intp)
