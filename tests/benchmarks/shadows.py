"""CPU time of a shadow on one core: exact, kept, tabled, and by general image-simulation libraries, medians and ratios.

Run by hand, with GalSim and photutils installed by hand beside Moteyard (a missing one is left out):

    pip install galsim photutils
    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/shadows.py

Every row draws the same grains at the same places, three bands, into a float32 frame; the libraries draw
disk ⊛ disk ⊛ pixel by rays, one band times three, as neither knows waves.
"""

import importlib
import statistics
import time

import cv2
import numpy as np
from scipy import fft

from moteyard.generators.optics import Optics
from moteyard.generators.particles import Grain
from moteyard.generators.shade import shade
from moteyard.generators.shadow import cast, stamp_size
from moteyard.generators.shadow_table import ShadowTable
from moteyard.generators.truth import Placed, cast_all

COUNT = 40
SLOW_COUNT = 3
RUNS = 7
SHAPE = (1000, 1500)
BANDS = 3


def grains(seed, count=COUNT):
    rng = np.random.default_rng(seed)
    sizes = np.exp(rng.uniform(np.log(10), np.log(60), count))
    return sizes, rng.uniform(60, SHAPE[1] - 60, count), rng.uniform(60, SHAPE[0] - 60, count)


def median_us(work, count=COUNT):
    """Microseconds a grain of `work(seed)`; each run draws grains that were never drawn before."""
    work(0)
    times = []
    for seed in range(1, RUNS + 1):
        start = time.process_time()
        work(seed)
        times.append(time.process_time() - start)
    return 1e6 * statistics.median(times) / count


def reference(_seed):
    """COUNT pairs of real FFTs of 64² in double precision."""
    field = np.ones((64, 64))
    for _ in range(COUNT):
        fft.irfft2(fft.rfft2(field, workers=1), s=field.shape, workers=1)


def exact(optics):
    frame = np.ones((*SHAPE, BANDS), np.float32)

    def work(seed):
        for size, x, y in zip(*grains(seed), strict=True):
            shade(frame, cast(size, optics, x=x, y=y))

    return work


def kept(optics):
    """Draw the same grains again, as the next exposure of a roll does."""
    frame = np.ones((*SHAPE, BANDS), np.float32)
    per_mm = optics.magnification * 1000 / optics.pixel_um
    places = ((x - (SHAPE[1] - 1) / 2, y - (SHAPE[0] - 1) / 2, size) for size, x, y in zip(*grains(0), strict=True))
    dust = [Placed(n, Grain(x / per_mm, y / per_mm, size)) for n, (x, y, size) in enumerate(places)]

    def work(_seed):
        for each in cast_all(dust, optics, SHAPE):
            shade(frame, each.shadow)

    return work


def tabled(optics):
    """Draw grains that were never drawn before from a table of radial profiles, right to 1e-3."""
    frame, table = np.ones((*SHAPE, BANDS), np.float32), ShadowTable(optics, 10, 60)
    return lambda seed: table.draw(frame, *grains(seed))


def galsim_convolution(optics):
    galsim = importlib.import_module("galsim")
    frame = galsim.ImageF(SHAPE[1], SHAPE[0], init_value=1.0, scale=optics.pixel_um)
    pupil = galsim.TopHat(optics.blur_um / 2)

    def work(seed):
        for size, x, y in zip(*grains(seed, SLOW_COUNT), strict=True):
            profile = galsim.Convolve(galsim.TopHat(size / 2, flux=np.pi * size**2 / 4), pupil)
            side = stamp_size(size, optics)
            for _ in range(BANDS):
                stamp = profile.drawImage(nx=side, ny=side, scale=optics.pixel_um, offset=(x % 1 - 0.5, y % 1 - 0.5))
                stamp.setCenter(int(x), int(y))
                frame[stamp.bounds] *= 1 - stamp

    return work


def photutils_gaussians(optics):
    datasets = importlib.import_module("photutils.datasets")
    models = importlib.import_module("astropy.modeling.models")
    table = importlib.import_module("astropy.table")

    def work(seed):
        sizes, xs, ys = grains(seed)
        width = np.maximum(sizes, optics.blur_um) / optics.pixel_um / 2.355
        where = table.Table({"amplitude": np.full(COUNT, 0.1), "x_mean": xs, "y_mean": ys})
        where["x_stddev"], where["y_stddev"] = width, width
        side = stamp_size(20.0, optics)
        for _ in range(BANDS):
            datasets.make_model_image(
                SHAPE, models.Gaussian2D(), where, model_shape=(side, side), x_name="x_mean", y_name="y_mean"
            )

    return work


WAYS = {
    "exact wave stamp, new sizes": exact,
    "exact wave stamp, kept": kept,
    "table of radial profiles, new sizes": tabled,
    "GalSim, disk ⊛ disk by FFT": galsim_convolution,
    "photutils, Gaussian model image": photutils_gaussians,
}


def main():
    cv2.setNumThreads(1)
    base = median_us(reference)
    print(f"{'reference: FFT pair of 64²':<38}{base:9.1f} µs")
    for f_number in (8, 11, 22):
        optics = Optics(f_number=f_number)
        print(f"f/{f_number}, 1 mm, 6 µm pixels, grains of 10–60 µm")
        for name, way in WAYS.items():
            try:
                cost = median_us(way(optics), SLOW_COUNT if way is galsim_convolution else COUNT)
            except ModuleNotFoundError as missing:
                print(f"  {name:<36} left out: {missing}")
                continue
            print(f"  {name:<36}{cost:9.1f} µs{cost / base:9.2f} × reference")


if __name__ == "__main__":
    main()
