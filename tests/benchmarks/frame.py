"""A labelled frame of 24 megapixels with about 60 shadows: CPU time of each stage, and peak memory.

Run by hand: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/frame.py [background]
"""

import cProfile
import pstats
import resource
import subprocess
import sys
import time

import cv2

from moteyard.generators.camera import Camera
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Population
from moteyard.generators.scene import Scene, render

STAGES = ("paint", "_shadows", "shade", "raw", "develop", "ground_spectrum", "detectability", "_ground", "render")


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
    profile = cProfile.Profile(time.process_time)
    profile.enable()
    frame = render(scene(background))
    profile.disable()
    print(f"{background}: {len(frame.truth)} shadows; CPU s, calls inside counted too")
    rows = pstats.Stats(profile).stats
    for stage in STAGES:
        for (path, _, name), (_, calls, _, seconds, _) in rows.items():
            if name == stage and "generators" in path:
                print(f"  {stage:<18}{seconds:8.3f} s{calls:6d} calls  {path.rsplit('/', 1)[-1]}")


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "sky")
