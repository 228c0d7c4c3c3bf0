"""CPU time of each stage per megapixel, one core, medians; ratios to a reference workload of the same run.

Run by hand: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/stages.py
"""

import statistics
import time

import cv2
import numpy as np

from moteyard.bench.handover import photograph
from moteyard.bench.judge import judged
from moteyard.bench.reference import reference_cpu_s
from moteyard.bench.sheet import SPECIMENS
from moteyard.bench.store import TRUTH_TYPE
from moteyard.detectors.registry import load, names
from moteyard.generators.backgrounds import make
from moteyard.generators.camera import Camera
from moteyard.generators.camera_presets import PRESETS, preset
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Population
from moteyard.generators.scene import Scene, render
from moteyard.generators.shadow import stamp

RUNS = 5
CAMERA = Camera(width_px=1500, height_px=1000, jpeg_quality=92)
MEGAPIXELS = CAMERA.width_px * CAMERA.height_px / 1e6


def median_cpu(work):
    work()
    times = []
    for _ in range(RUNS):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return statistics.median(times)


def report(name, seconds, unit, base):
    print(f"{name:<34}{1000 * seconds / MEGAPIXELS:9.1f} ms/MP{seconds / base:10.2f} × reference{unit}")


def main():
    cv2.setNumThreads(1)
    base = reference_cpu_s((CAMERA.height_px, CAMERA.width_px))
    report("reference: one FFT pair", base, "", base)
    shape = (CAMERA.height_px, CAMERA.width_px)
    for ground in ("sky", "snow", "scrub", "screen"):
        painter = make(ground, {})
        report(f"paint {ground}", median_cpu(lambda p=painter: p.paint(shape, np.random.default_rng(3))), "", base)
    linear = make("sky", {}).paint(shape, np.random.default_rng(1))
    linear_16 = Camera(width_px=1500, height_px=1000, bits=16, encoding="linear")
    cameras = [("8-bit sRGB and JPEG", CAMERA), ("16-bit linear", linear_16)]
    cameras += [(name, Camera(**{**preset(name), "width_px": 1500, "height_px": 1000})) for name in PRESETS]
    for name, camera in cameras:
        report(f"expose, {name}", median_cpu(lambda c=camera: c.expose(linear, np.random.default_rng(2))), "", base)
    sizes = iter(np.linspace(15, 60, 10_000))
    for f_number in (8, 22):
        cold = median_cpu(lambda n=f_number: stamp(next(sizes), Optics(f_number=n)))
        warm = median_cpu(lambda n=f_number: stamp(30.0, Optics(f_number=n)))
        print(f"shadow at f/{f_number:<22}{1e6 * cold:9.0f} µs new size{1e6 * warm:8.0f} µs known size")
    for name, thing in SPECIMENS.items():
        took = median_cpu(lambda t=thing: t.shadow(Optics(f_number=16), x=0.3, y=0.2))
        print(f"shadow of a {name:<24}{1e6 * took:9.0f} µs at f/16")
    scene = Scene("bench", "snow", camera=CAMERA, optics=Optics(11), population=Population(mean_count=30), seed=(2, 1))
    report("render a frame, 30 shadows", median_cpu(lambda: render(scene)), "", base)
    frame = render(scene)
    shot = photograph(frame)
    truth = np.zeros(len(frame.truth), TRUTH_TYPE)
    for field in ("x", "y", "fwhm_px"):
        truth[field] = getattr(frame.truth, field)
    truth["counted"] = True
    for name in names():
        detector = load(name)
        report(f"detect {name}", median_cpu(lambda d=detector: d.detect([shot])), "", base)
    (spots,) = load("matched").detect([shot])
    report(f"match {len(spots)} candidates", median_cpu(lambda: judged(spots, truth)), "", base)


if __name__ == "__main__":
    main()
