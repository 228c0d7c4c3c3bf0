"""CPU time of a fibre's shadow, by its own path and by the general one for drawn masks in turn, medians and ratios.

Run by hand: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/fibres.py
"""

import statistics
import time

import cv2

from moteyard.generators.fibre import Fibre
from moteyard.generators.mask import mask_shadow
from moteyard.generators.optics import Optics

RUNS = 9
FIBRES = [
    Fibre(0, 0, 15, length, curl_rad=curl, angle_deg=20, shape_seed=2) for length, curl in ((3000, 1.2), (600, 1.0))
]


def cpu(call):
    started = time.process_time()
    call()
    return time.process_time() - started


def main():
    cv2.setNumThreads(1)
    for fibre in FIBRES:
        for f_number in (2.8, 8, 16, 32):
            optics, times = Optics(f_number=f_number), []
            for _ in range(RUNS):
                general = cpu(lambda: mask_shadow(fibre, optics, x=70.3, y=70.1))  # noqa: B023
                times.append((cpu(lambda: fibre.shadow(optics, x=70.3, y=70.1)), general))  # noqa: B023
            own, general = (1e3 * statistics.median(column) for column in zip(*times, strict=True))
            ratio = statistics.median(b / a for a, b in times)
            name = f"{fibre.length_um / 1000:g} mm, f/{f_number:g}"
            print(f"{name:<16}{own:8.1f} ms, general path {general:8.1f} ms, ratio {ratio:.2f}")


if __name__ == "__main__":
    main()
