"""Speed, memory and average precision of every method on the same frames, beside `matched`.

Run by hand: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/peers.py [METHOD…]

Each method looks in a process of its own at one frame of snow at f/16. Where a frame of 1.5 megapixels says that 24
would take longer than `PATIENCE_S`, its time is scaled from there, marked ×16, and memory isn't told. Times are the
smaller of two, since other work on the machine only ever adds, and every method's is followed by an FFT pair of the
frame's size, by which ratios are taken. Average precision is that of the suite `quick` on develop seeds, each ground's
mean over its apertures.
"""

import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
from scipy import fft

from moteyard.bench.curve import curve
from moteyard.bench.handover import photograph
from moteyard.bench.judge import frame_row, judged
from moteyard.bench.store import FALSE_ALARM, HIT
from moteyard.bench.suite_file import load_suite
from moteyard.detectors.registry import load, names
from moteyard.generators.camera import Camera
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Population
from moteyard.generators.scene import Scene, render

PATIENCE_S = 12.0
GROUNDS = ("sky", "snow", "scrub")
CONTROLS = {"nothing", "guess"}


def shot(width):
    """Return a photograph of snow of this width, with 2.5 shadows a megapixel."""
    camera = Camera(width_px=width, height_px=width * 2 // 3, jpeg_quality=92)
    dust = Population(mean_count=width * width / 6e5)
    return photograph(render(Scene("peers", "snow", camera=camera, optics=Optics(16), population=dust, seed=(1, 7))))


def cpu(work):
    """Return the smaller CPU time of two runs."""
    times = []
    for _ in range(2):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def pair():
    """A forward and inverse real FFT of 24 megapixels in single precision."""
    frame = np.zeros((4000, 6000), np.float32)
    fft.irfft2(fft.rfft2(frame, workers=1), s=frame.shape, workers=1)


def resident_mb(key):
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(key))


def speed(name):
    """Print seconds of CPU for 24 megapixels, megabytes above the image, and seconds of an FFT pair."""
    cv2.setNumThreads(1)
    detector, small = load(name), shot(1500)
    detector.detect([small])  # loads libraries and weights
    seconds, memory = 16 * cpu(lambda: detector.detect([small])), np.nan
    if seconds < PATIENCE_S:
        big = shot(6000)
        Path("/proc/self/clear_refs").write_text("5")  # the peak from here on
        before = resident_mb("VmRSS")
        detector.detect([big])
        memory = resident_mb("VmHWM") - before
        seconds = cpu(lambda: detector.detect([big]))
    print(seconds, memory, cpu(pair))


def frames():
    """Yield ground, aperture, photograph, truth and what to judge it by."""
    suite = load_suite("quick")
    for scene in suite.scenes("develop"):
        frame = render(scene)
        row = frame_row(frame, ground=scene.background, viewing=suite.viewing, render_s=0.0)
        yield (row.ground, row.f_number), photograph(frame), row.truth, (frame.footprint, frame.ignored)


def precision(name, shots):
    """Return average precision by ground, its mean over apertures."""
    detector, cells = load(name), {}
    for cell, photo, truth, (footprint, ignored) in shots:
        (spots,) = detector.detect([photo])
        table = judged(spots, truth, footprint=footprint, ignored=ignored)
        cells.setdefault(cell, []).append((table[np.isin(table["kind"], (HIT, FALSE_ALARM))], truth["counted"].sum()))
    areas = {}
    for (ground, _), parts in cells.items():
        table = np.concatenate([part for part, _ in parts])
        truths = int(sum(count for _, count in parts))
        counts = curve(table["score"], table["kind"] == HIT, truths=truths, frames=len(parts))
        areas.setdefault(ground, []).append(counts.average_precision())
    return [float(np.mean(areas[ground])) for ground in GROUNDS]


def measured(name):
    """Return what `speed` prints in a fresh process."""
    done = subprocess.run([sys.executable, __file__, "--speed", name], capture_output=True, text=True, check=True)
    return [float(word) for word in done.stdout.split()]


def main(wanted):
    """Print the table, the quickest method first."""
    cv2.setNumThreads(1)
    chosen = wanted or [name for name in names() if name not in CONTROLS]
    chosen = ["matched", *(name for name in chosen if name != "matched")]
    speeds = {name: measured(name) for name in chosen}  # before this process grows: a child starts with its peak
    shots = list(frames())
    print(f"{'':<12}{'s/24 MP':>9}{'':>4}{'pairs':>7}{'ratio':>7}{'MB':>7}" + "".join(f"{g:>8}" for g in GROUNDS))
    base = speeds["matched"][0] / speeds["matched"][2]
    for name, (seconds, memory, base_s) in sorted(speeds.items(), key=lambda item: item[1][0] / item[1][2]):
        told = f"{memory:7.0f}" if np.isfinite(memory) else f"{'':>7}"
        scaled = " ×16" if not np.isfinite(memory) else ""
        pairs = seconds / base_s
        line = f"{name:<12}{seconds:9.2f}{scaled:>4}{pairs:7.1f}{pairs / base:7.2f}{told}"
        print(line + "".join(f"{area:8.3f}" for area in precision(name, shots)), flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--speed"]:
        speed(sys.argv[2])
    else:
        main(sys.argv[1:])
