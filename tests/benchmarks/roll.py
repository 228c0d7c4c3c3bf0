"""CPU time and memory that one more photograph of 24 megapixels costs a roll, by method and aperture.

Run by hand: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/roll.py [method …]

A roll of five less one of two, by three, in seconds and in FFT pairs of that size timed in turn; the photographs have
scenes of their own and are already decoded. Smallest of three runs.
"""

import resource
import subprocess
import sys
import time

import cv2
import numpy as np
from scipy import fft

from moteyard.bench.handover import photograph
from moteyard.detectors.registry import load
from moteyard.generators.camera import Camera
from moteyard.generators.optics import Optics
from moteyard.generators.scene import Scene, render, scene_seed

SHORT, LONG, RUNS = 2, 5, 3
F_NUMBERS = (8, 11, 16, 22)
METHODS = ("together", "consensus")


def cpu(call):
    """Return the seconds of CPU that a call takes."""
    began = time.process_time()
    call()
    return time.process_time() - began


def shot(number, f_number):
    """Return photograph `number` of a roll."""
    ground = ("snow", "scrub")[number % 2]
    scene = Scene(
        name=f"{ground}/{number}",
        background=ground,
        optics=Optics(f_number=f_number),
        camera=Camera(width_px=6000, height_px=4000, jpeg_quality=92),
        seed=scene_seed(26, "develop", f"roll/{number}"),
    )
    return photograph(render(scene, measured=False))


def further(name, f_number):
    """Print what one more photograph costs, in a process of its own, whose peak of memory is told too."""
    cv2.setNumThreads(1)
    roll = [shot(number, f_number) for number in range(LONG)]
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    plane = np.random.default_rng(0).standard_normal((4000, 6000), dtype=np.float32)
    detector = load(name)
    detector.detect(roll[:1])
    long, short, pair = [], [], []
    for _ in range(RUNS):
        long.append(cpu(lambda: detector.detect(roll)))
        short.append(cpu(lambda: detector.detect(roll[:SHORT])))
        pair.append(cpu(lambda: fft.irfft2(fft.rfft2(plane, workers=1), workers=1)))
    each = (min(long) - min(short)) / (LONG - SHORT)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    held = f"{peak / 1024:.0f} MB at the peak, {before / 1024:.0f} MB of it once the five were rendered"
    print(f"{name:<10} f/{f_number:<3} {each:5.2f} s a further photograph, {each / min(pair):4.1f} pairs; {held}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        further(sys.argv[2], int(sys.argv[3]))
    else:
        for method in sys.argv[1:] or METHODS:
            for f_number in F_NUMBERS:
                subprocess.run([sys.executable, __file__, "--one", method, str(f_number)], check=True)
