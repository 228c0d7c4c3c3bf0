"""A reference workload: machines differ and drift, ratios to it less so."""

from __future__ import annotations

import statistics
import time

import numpy as np

REPEATS = 9
"""Timings of which the median is taken; one pair on a quarter of a megapixel takes some milliseconds."""


def reference_cpu_s(shape: tuple[int, int]) -> float:
    """Return the CPU time of a forward and inverse real FFT of a frame in single precision on one core, s."""
    from scipy import fft  # keeps the command line quick to start

    field = np.zeros(shape, dtype=np.float32)
    times = []
    for _ in range(REPEATS + 1):
        start = time.process_time()
        fft.irfft2(fft.rfft2(field, workers=1), s=shape, workers=1)
        times.append(time.process_time() - start)
    return statistics.median(times[1:])
