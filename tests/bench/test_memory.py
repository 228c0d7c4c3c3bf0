"""What a call adds at its peak, against memory of known size."""

import math
import sys
from pathlib import Path

import numpy as np
import pytest

from moteyard.bench.judge import Job, run_job
from moteyard.bench.memory import peak_since, resident_now, weighed
from moteyard.bench.suite_file import load_suite

MB = 1_000_000

COUNT = 2 * MB
"""How far the kernel's count may be off: threads keep back some pages of it (proc_pid_status(5))."""

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the peak is read from Linux's /proc")


def _fill(megabytes):
    return float(np.ones(megabytes * MB // 8).sum())


def test_the_peak_is_what_was_filled_though_it_is_free_again():
    before = resident_now()
    _fill(96)
    assert abs(peak_since(before) - 96 * MB) < COUNT


def test_a_small_call_after_a_large_one_is_small():
    _fill(96)
    before = resident_now()
    _fill(8)
    assert abs(peak_since(before) - 8 * MB) < COUNT


def test_freed_memory_that_the_allocator_keeps_is_given_back_first():
    """Blocks under a page's multiple come from the heap, which glibc keeps when they are freed."""
    blocks = [bytes(4000) for _ in range(20_000)]
    kept = blocks[-1]
    del blocks
    before = resident_now()
    again = [bytes(4000) for _ in range(20_000)]
    assert peak_since(before) > 60 * MB
    assert len(again) == 20_000
    assert kept == bytes(4000)


def test_where_nothing_is_counted_it_is_not_a_number():
    assert math.isnan(peak_since(math.nan))


HEAVY = """
import numpy as np
from moteyard.detectors import SingleFrame, Spots

class Heavy(SingleFrame):
    name, version = "heavy", "1"
    def detect_one(self, photograph):
        np.ones(6_000_000).sum()
        return Spots()
"""


def test_a_weighed_row_holds_its_detectors_peak(tmp_path, monkeypatch):
    monkeypatch.setattr("moteyard.bench.memory.ONE_IN", 1)
    (tmp_path / "heavy.py").write_text(HEAVY, encoding="utf-8")
    suite = load_suite(str(Path(__file__).parent / "tiny.toml"))
    names = (f"{tmp_path / 'heavy.py'}:Heavy", "nothing")
    _, rows = run_job(Job(suite.scene(0).to_json(), ground="sky", detectors=names, viewing=suite.viewing))
    heavy, nothing = (row.memory_bytes for row in rows)
    assert abs(heavy - 48 * MB) < COUNT
    assert nothing < COUNT


def test_one_frame_in_four_is_weighed():
    assert [weighed(f"{number:016x}") for number in range(8)].count(True) == 2
