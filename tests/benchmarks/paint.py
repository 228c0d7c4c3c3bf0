"""CPU time and memory of every ground at 24 megapixels, one core, beside an FFT pair timed in the same process.

Run by hand: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/paint.py [NAME[:KIND] …]

Every kind has a process of its own, so that its peak memory can be read; the pair and the painting alternate, and the
smallest of each is reported, since other work on the machine only ever adds. Frames but the first are painted in the
memory of the one before, as in any process that paints many.
"""

import importlib
import resource
import subprocess
import sys
import time

import cv2
import numpy as np
from scipy import fft

from moteyard.generators.backgrounds import BACKGROUNDS, make

SHAPE = (4000, 6000)
MEGAPIXELS = SHAPE[0] * SHAPE[1] / 1e6
RUNS = 5


def cpu(work):
    start = time.process_time()
    work()
    return time.process_time() - start


def pair():
    """A forward and inverse real FFT of the frame's size in single precision."""
    frame = np.zeros(SHAPE, np.float32)
    fft.irfft2(fft.rfft2(frame, workers=1), s=SHAPE, workers=1)


def peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measure(name, kind):
    cv2.setNumThreads(1)
    ground = make(name, {"kind": kind} if kind else {})
    ground.paint((300, 400), np.random.default_rng(0))
    before = peak_mb()
    painting = cpu(lambda: ground.paint(SHAPE, np.random.default_rng(1)))
    memory = peak_mb() - before
    base = cpu(pair)
    for seed in range(2, RUNS + 1):
        painting = min(painting, cpu(lambda s=seed: ground.paint(SHAPE, np.random.default_rng(s))))
        base = min(base, cpu(pair))
    label = f"{name} {kind or ''}"
    print(f"| {label:<16} | {1000 * painting / MEGAPIXELS:6.1f} | {painting / base:5.2f} | {memory:5.0f} |", flush=True)


def wanted(arguments):
    if arguments:
        return [tuple((argument + ":").split(":")[:2]) for argument in arguments]
    kinds = {}
    for name in BACKGROUNDS:
        if name != "photograph":
            kinds[name] = getattr(importlib.import_module(f"moteyard.generators.backgrounds.{name}"), "KINDS", ("",))
    return [(name, kind) for name, many in kinds.items() for kind in many]


def main():
    if sys.argv[1:2] == ["--one"]:
        measure(*sys.argv[2:])
        return
    print("| ground           | ms/MP  | × FFT pair | MB |\n|---|---|---|---|", flush=True)
    for name, kind in wanted(sys.argv[1:]):
        subprocess.run([sys.executable, __file__, "--one", name, kind], check=True)


if __name__ == "__main__":
    main()
