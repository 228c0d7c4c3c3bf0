"""What a call adds at its peak, against memory of known size, each time in a process of its own as in a run."""

import math
import subprocess
import sys
from pathlib import Path

import pytest

from moteyard.bench.memory import peak_since, weighed

MB = 1_000_000

COUNT = 2 * MB
"""How far the kernel's count may be off: threads keep back some pages of it (proc_pid_status(5))."""

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the peak is read from Linux's /proc")

HEAD = """
import numpy as np
from moteyard.bench.memory import peak_since, resident_now

def fill(megabytes):
    return float(np.ones(megabytes * 1_000_000 // 8).sum())
"""


def printed(text):
    """Return the numbers that a program prints."""
    done = subprocess.run([sys.executable, "-c", HEAD + text], check=True, capture_output=True, text=True)
    return [float(word) for word in done.stdout.split()]


def test_the_peak_is_what_was_filled_though_it_is_free_again():
    (peak,) = printed("before = resident_now(); fill(96); print(peak_since(before))")
    assert abs(peak - 96 * MB) < COUNT


def test_a_small_call_after_a_large_one_is_small():
    (peak,) = printed("fill(96); before = resident_now(); fill(8); print(peak_since(before))")
    assert abs(peak - 8 * MB) < COUNT


def test_freed_memory_that_the_allocator_keeps_is_given_back_first():
    """Small blocks come from the heap, which keeps them when they are freed."""
    (peak,) = printed("""
blocks = [bytes(4000) for _ in range(20_000)]
kept = blocks[-1]  # the last one keeps the heap from shrinking by itself
del blocks
before = resident_now()
again = [bytes(4000) for _ in range(20_000)]
print(peak_since(before))
""")
    assert peak > 60 * MB


def test_where_nothing_is_counted_it_is_not_a_number():
    assert math.isnan(peak_since(math.nan))


JUDGE = """
import sys
from moteyard.bench import memory
from moteyard.bench.judge import Job, run_job
from moteyard.bench.suite_file import load_suite

memory.ONE_IN = 1
suite = load_suite(sys.argv[1])
names = (sys.argv[2] + ":Heavy", "nothing")
_, rows = run_job(Job(suite.scene(0).to_json(), ground="sky", detectors=names, viewing=suite.viewing))
print(*(row.memory_bytes for row in rows))
"""

HEAVY = """
import numpy as np
from moteyard.detectors import SingleFrame, Spots

class Heavy(SingleFrame):
    name, version = "heavy", "1"
    def detect_one(self, photograph):
        np.ones(6_000_000).sum()
        return Spots()
"""


def test_a_weighed_row_holds_its_detectors_peak(tmp_path):
    (tmp_path / "heavy.py").write_text(HEAVY, encoding="utf-8")
    words = [str(Path(__file__).parent / "tiny.toml"), str(tmp_path / "heavy.py")]
    done = subprocess.run([sys.executable, "-c", JUDGE, *words], check=True, capture_output=True, text=True)
    heavy, nothing = map(float, done.stdout.split())
    assert abs(heavy - 48 * MB) < COUNT
    assert nothing < COUNT


def test_one_frame_in_four_is_weighed():
    assert [weighed(f"{number:016x}") for number in range(8)].count(True) == 2
