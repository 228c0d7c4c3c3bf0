"""A labelled frame of 24 megapixels with about 60 shadows: CPU time as it is and of each stage, and peak memory.

Run by hand: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/frame.py [background]

Frames alternate with FFT pairs of the frame's size, and the smallest of each is reported, since other work on the
machine only ever adds. The stages are those of one more frame, under a profiler, which adds a tenth.
"""

import cProfile
import pstats
import resource
import subprocess
import sys
import time

import cv2
import numpy as np
from scipy import fft

from moteyard.generators.camera import Camera
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Population
from moteyard.generators.scene import Scene, render

RUNS = 4

STAGES = ("paint", "cast_all", "shade", "raw", "through_jpeg", "ground_spectrum", "detectability", "_ground", "render")


def scene(background, width=6000, height=4000):
    return Scene(
        "frame",
        background,
        camera=Camera(width_px=width, height_px=height, jpeg_quality=92),
        optics=Optics(f_number=11),
        population=Population(mean_count=60),
        seed=(1, 7),
    )


def peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def cpu(work):
    start = time.process_time()
    work()
    return time.process_time() - start


def pair():
    """A forward and inverse real FFT of the frame's size in single precision."""
    frame = np.zeros((4000, 6000), np.float32)
    fft.irfft2(fft.rfft2(frame, workers=1), s=frame.shape, workers=1)


def child(background):
    """Render once; print the peak before and after, so that the interpreter's own share is known."""
    before = peak_mb()
    render(scene(background))
    print(f"peak memory {peak_mb():.0f} MB, {before:.0f} MB of it before the frame")


def main(background):
    # First, while this process is small: a child starts with its parent's peak to its name.
    code = f"import runpy; runpy.run_path({__file__!r})['child']({background!r})"
    print(subprocess.check_output([sys.executable, "-c", code], text=True).strip())
    cv2.setNumThreads(1)
    render(scene(background, 600, 400))
    times = [(cpu(lambda: render(scene(background))), cpu(pair)) for _ in range(RUNS)]
    whole, base = (min(column) for column in zip(*times, strict=True))
    print(f"{background}: {whole:.2f} s of CPU, {whole / base:.1f} FFT pairs of {base:.3f} s")
    profile = cProfile.Profile(time.process_time)
    profile.enable()
    frame = render(scene(background))
    profile.disable()
    print(f"  {len(frame.truth)} shadows; CPU s under the profiler, calls inside counted too")
    rows = pstats.Stats(profile).stats
    for stage in STAGES:
        for (path, _, name), (_, calls, _, seconds, _) in rows.items():
            if name == stage and "generators" in path:
                print(f"  {stage:<18}{seconds:8.3f} s{calls:6d} calls  {path.rsplit('/', 1)[-1]}")


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "sky")
