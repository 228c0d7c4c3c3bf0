"""Records, cells and a small run that several tests of this folder use."""

from pathlib import Path

import numpy as np
import pytest

from moteyard.bench.cells import Record
from moteyard.bench.choice import CellChoice, Wish, choose
from moteyard.bench.run import Means, fill, stored_table
from moteyard.bench.store import HIT, SPOT_TYPE, TRUTH_TYPE, FrameRow, ResultRow
from moteyard.bench.suite_file import load_suite

TINY = str(Path(__file__).parent / "tiny.toml")


def _record(scores, kinds, *, truths, block="a", **cell):
    truth = np.zeros(truths, dtype=TRUTH_TYPE)
    truth["counted"], truth["x"], truth["fwhm_px"] = True, 100 * np.arange(truths), 4
    truth["diameter_um"], truth["visibility"] = 10 + np.arange(truths), 1 + np.arange(truths)
    spots = np.zeros(len(scores), dtype=SPOT_TYPE)
    spots["score"], spots["kind"], spots["truth"], spots["diameter_px"] = scores, kinds, -1, 4
    hit = spots["kind"] == HIT
    spots["truth"][hit] = np.arange(hit.sum())
    spots["x"] = np.where(hit, 100 * spots["truth"], 50)
    ground, f_number = cell.get("ground", "sky"), cell.get("f_number", 8.0)
    pixels, recipe = cell.get("pixels", "0"), cell.get("recipe", "{}")
    frame = FrameRow(block, block, ground, f_number, block, 1.0, pixels, recipe, 0.1, 0.1, truth)
    return Record(frame, ResultRow(block, "m", cell.get("fingerprint", "m-1"), None, 0.5, 0.5, spots))


@pytest.fixture
def make_record():
    """Return a frame with `truths` visible shadows in a row and scored candidates; hits take the shadows in turn."""
    return _record


def _cell(ground, f_number, *, threshold=4.0, trusted=True, guaranteed=True, note=""):
    return CellChoice(
        ground=ground, f_number=f_number, threshold=threshold, guaranteed=guaranteed, note=note, calibration_frames=15,
        held_out_frames=15, over=0, false_alarms_per_frame=0.1, recall=0.6, precision=0.9, texture_low=0.0,
        texture_high=1.0, trusted=trusted,
    )  # fmt: skip


@pytest.fixture
def make_cell():
    """Return a chosen threshold of one cell."""
    return _cell


@pytest.fixture(scope="session")
def small_run(tmp_path_factory):
    """Return the table of a run of the tiny suite, and every method's cells."""
    store = fill(tmp_path_factory.mktemp("small") / "run", load_suite(TINY), ["matched"], means=Means(workers=2))
    table, _ = stored_table(store)
    store.close()
    return table, {name: choose(table, name, Wish()) for name in table}
