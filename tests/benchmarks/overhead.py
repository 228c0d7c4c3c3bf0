"""What the harness costs beside rendering and detecting: overhead, two cores against one, cached reruns, memory.

Run by hand: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/overhead.py [cost] [cores] [memory]

CPU time of this process and its workers, so that others on the machine count little; frames are as many as stand
beside the numbers. A run of many frames less a run of few leaves out the start of the processes, which is a cost a
run and not a frame.
"""

import dataclasses

from moteyard.bench.suite_file import load_suite


def suite(frames, megapixels=None):
    """Return `standard` with so many frames in all, of another size if wanted."""
    made = load_suite("standard")
    cells = len(made) // made.frames
    if megapixels is not None:
        width = round(1200 * megapixels**0.5 / 10) * 10
        made = dataclasses.replace(
            made, camera=dataclasses.replace(made.camera, width_px=width, height_px=width * 5 // 6)
        )
    return dataclasses.replace(made, frames=-(-frames // cells))
