"""Time of a repair, and of a 24-megapixel JPEG retouched end to end against decoding, detecting and encoding it.

Run by hand: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/retouch.py [background]
"""

import io
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from frame import scene
from PIL import Image

from moteyard.bench.cli import main as moteyard
from moteyard.bench.handover import photograph
from moteyard.bench.repairs import load, names
from moteyard.bench.repairs.contract import Known
from moteyard.detectors import Photograph, Spots
from moteyard.detectors import load as load_detector
from moteyard.generators.photo_io import read_picture
from moteyard.generators.scene import render

THRESHOLD = 12


def cpu(call):
    """Return CPU seconds of a call and its answer."""
    started = time.process_time()
    answer = call()
    return time.process_time() - started, answer


def repairs(frame):
    """Print CPU milliseconds a spot of each repair on the true spots, the second time, without the picture's copy."""
    truth, shot = frame.truth, photograph(frame)
    spots = Spots(truth.x, truth.y, truth.fwhm_px, np.ones(len(truth)))
    for name in names():
        repair = load(name)
        repair.repair(shot, spots, Known(1.0))
        least = min(cpu(lambda: repair.repair(shot, Spots(), Known(1.0)))[0] for _ in range(3))  # noqa: B023
        seconds = min(cpu(lambda: repair.repair(shot, spots, Known(1.0)))[0] for _ in range(3))  # noqa: B023
        print(f"  {name:<16}{1e3 * (seconds - least) / len(spots):8.2f} ms a spot")


def end_to_end(frame):
    """Print CPU seconds of the whole command and of its unavoidable parts."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photograph.jpg"
        Image.fromarray(frame.pixels).save(path, quality=92)
        decode, picture = cpu(lambda: read_picture(path))
        shot = Photograph(picture.pixels, f_number=11, pixel_um=6.0)
        detect, _ = cpu(lambda: load_detector("matched").detect([shot]))
        encode, _ = cpu(lambda: Image.fromarray(picture.pixels).save(io.BytesIO(), "JPEG", quality=92))
        words = ["retouch", str(path), "--threshold", str(THRESHOLD), "--f-number", "11", "--out"]
        first, _ = cpu(lambda: moteyard([*words, str(Path(folder) / "first")]))
        further, _ = cpu(lambda: moteyard([*words, str(Path(folder) / "further")]))
    least = decode + detect + encode
    print(f"decode {decode:.2f} + detect {detect:.2f} + encode {encode:.2f} = {least:.2f} s")
    print(f"the first photograph {first:.2f} s, ratio {first / least:.2f}: imports and tables of shadows counted")
    print(f"a further one {further:.2f} s, ratio {further / least:.2f}")


if __name__ == "__main__":
    cv2.setNumThreads(1)
    ground = sys.argv[1] if len(sys.argv) > 1 else "snow"
    large = render(scene(ground))
    print(f"{ground}, 24 megapixels, {len(large.truth)} shadows")
    repairs(large)
    end_to_end(large)
