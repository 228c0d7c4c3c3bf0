"""Whatever a detector does to its process becomes a failed row with the reason, and everything else finishes."""

import multiprocessing
import os
import resource
import signal
import subprocess
import sys
import time
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from moteyard.bench.allowance import SHARED, Allowance, kept_to, machine_memory
from moteyard.bench.crew import RENEWALS, Landing, LocalCrew, _landing
from moteyard.bench.engine import PATIENCE, drive, run_jobs
from moteyard.bench.errors import YardError
from moteyard.bench.judge import Job, run_job
from moteyard.bench.suite_file import load_suite

HERE = Path(__file__).parent
LINUX = sys.platform == "linux"


def hostile(kind):
    return f"{HERE / 'hostile.py'}:{kind}"


def jobs(*detectors, count=1):
    suite = load_suite(str(HERE / "tiny.toml"))
    scenes = [suite.scene(place) for place in range(count)]
    return [Job(scene.to_json(), "sky", detectors, suite.viewing) for scene in scenes]


FAULTS = {
    "Raises": "RuntimeError: the lamp is broken",
    "Mumbles": "Wordless: (its message can't be read)",
    "Leaves": "left through sys.exit",
    "Segfaults": "its process died (signal SIGSEGV)",
    "Aborts": "its process died (signal SIGABRT)",
    "Vanishes": "its process left (exit status 0)",
    "Hoards": "ran out of memory (limit 0.3 GB): Unable to allocate 7.45 GiB for an array",
    "Piles": "ran out of memory (limit 0.3 GB)",
}


@pytest.mark.skipif(not LINUX, reason="memory is limited on Linux only")
def test_each_fault_has_its_reason_and_the_others_finish(capfd):
    specs = ["dog", *map(hostile, FAULTS), "matched"]
    (job,) = jobs(*specs)
    started = time.monotonic()
    outcomes = list(run_jobs([job], workers=2, allowance=Allowance(time_s=120, memory_gb=0.3)))
    assert time.monotonic() - started < 300
    rows = [row for _, results in outcomes for row in results]
    problems = {row.detector: row.problem for row in rows}
    assert len(rows) == len(specs)
    assert problems.pop("dog") is None
    assert problems.pop("matched") is None
    assert {name.lower() for name in FAULTS} == set(problems)
    for name, reason in FAULTS.items():
        assert problems[name.lower()].startswith(reason)
    clean = {row.detector: row.spots.tobytes() for row in run_job(replace(job, detectors=("dog", "matched")))[1]}
    assert {row.detector: row.spots.tobytes() for row in rows if row.problem is None} == clean


@pytest.mark.skipif(not LINUX, reason="other systems wait for the pool's own limit")
def test_a_loop_that_holds_the_interpreter_ends_in_time_and_the_other_finishes():
    """Its 2⁶⁴ ways would take longer than the universe is old; the other one needs no time worth mentioning."""
    outcomes = list(run_jobs(jobs(hostile("Spins"), "nothing"), workers=1, allowance=Allowance(time_s=2)))
    problems = {row.detector: row.problem for _, results in outcomes for row in results}
    assert problems == {"spins": "took longer than the time limit and was stopped", "nothing": None}


def test_memory_is_limited_inside_and_free_again_outside():
    if not LINUX:
        pytest.skip("memory is limited on Linux only")
    before = resource.getrlimit(resource.RLIMIT_DATA)
    with kept_to(Allowance(memory_gb=0.05)):
        assert len(np.ones(10**6)) == 10**6  # 8 MB
        with pytest.raises(MemoryError, match="Unable to allocate"):
            np.ones(10**7)  # 80 MB
    assert resource.getrlimit(resource.RLIMIT_DATA) == before
    assert len(np.ones(10**7)) == 10**7


def test_time_is_limited_inside_only():
    code = (
        "import time; from moteyard.bench.allowance import Allowance, kept_to\n"
        "with kept_to(Allowance(time_s=0.2)): pass\n"
        "time.sleep(0.4); print('outlived', flush=True)\n"
        "with kept_to(Allowance(time_s=0.2)): time.sleep(20)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (-signal.SIGALRM, "outlived\n")


def test_the_default_shares_the_machine_out():
    if not LINUX:
        pytest.skip("reads Linux's own account")
    lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
    total = 1024 * int(next(line.split()[1] for line in lines if line.startswith("MemTotal")))
    assert 0 < machine_memory() <= total * 1.01
    assert Allowance().among(4).memory_gb == pytest.approx(SHARED * machine_memory() / 1e9 / 4)
    assert Allowance(memory_gb=3).among(4).memory_gb == 3


def _until(ready):
    """Wait until the pool has seen it: a broken one, or a new process in the place of the old."""
    deadline = time.monotonic() + 120
    while not ready():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_a_worker_that_dies_between_two_jobs_costs_none():
    first, second = jobs("nothing", count=2)
    crew = LocalCrew(1, Allowance())
    assert crew.land(crew.submit(first)).problem is None
    killed = multiprocessing.active_children()
    for process in killed:
        os.kill(process.pid, signal.SIGKILL)
    _until(lambda: not crew._pool.active or set(multiprocessing.active_children()) - set(killed))
    outcomes = list(drive([second], crew))
    assert [row.problem for _, results in outcomes for row in results] == [None]


class Actors:
    """A crew without processes: what becomes of a job is told by its detectors."""

    def __init__(self, deadly=(), losses=0):
        self.deadly, self.losses, self.seen, self.ended = set(deadly), losses, [], None

    def room(self):
        return 2

    def submit(self, job):
        self.seen.append(job.detectors)
        future = Future()
        future.set_result(job)
        return future

    def land(self, future):
        job = future.result()
        if self.losses:
            self.losses -= 1
            return None
        if self.deadly & set(job.detectors):
            return Landing(problem="its process died")
        return Landing(results=[job])

    def close(self):
        self.ended = "closed"

    def stop(self):
        self.ended = "stopped"


def test_a_deadly_detector_is_given_up_and_costs_the_others_nothing():
    crew = Actors(deadly={"guess"})
    outcomes = [rows for _, rows in drive(jobs("dog", "guess", count=8), crew)]
    failed = [row for rows in outcomes for row in rows if not isinstance(row, Job)]
    assert len(failed) == 8
    given_up = [row for row in failed if row.problem.startswith(f"given up after {PATIENCE} failures")]
    assert len(given_up) == 8 - PATIENCE
    assert sum(rows[0].detectors == ("dog",) for rows in outcomes if isinstance(rows[0], Job)) == 8
    assert crew.ended == "closed"


def test_a_lost_job_is_done_again():
    crew = Actors(losses=3)
    assert len(list(drive(jobs("dog", count=4), crew))) == 4
    assert len(crew.seen) == 4 + 3


def test_jobs_are_taken_as_there_is_room_and_workers_go_when_the_reader_does():
    taken = []

    def endless():
        while True:
            taken.append(1)
            yield jobs("dog")[0]

    crew = Actors()
    outcomes = drive(endless(), crew)
    for _ in range(10):
        next(outcomes)
    assert len(taken) <= 10 + crew.room()
    outcomes.close()
    assert crew.ended == "stopped"


def test_pools_that_break_one_after_the_other_end_the_run():
    from concurrent.futures.process import BrokenProcessPool

    crew = LocalCrew(1, Allowance())
    broken = Future()
    broken.set_exception(BrokenProcessPool("all gone"))
    for _ in range(RENEWALS * crew.room()):
        assert crew.land(broken) is None
    with pytest.raises(YardError, match="worker processes die before they can take a job"):
        crew.land(broken)


def test_the_pools_own_limit_reads_the_same_as_the_kernels():
    late = Future()
    late.set_exception(TimeoutError())
    assert _landing(late).problem == "took longer than the time limit and was stopped"


class BreakablePool:
    """A pool that takes its time to say that it is broken."""

    def __init__(self, *, broken):
        self.broken = broken

    def schedule(self, *words, **options):
        time.sleep(0.05)
        if self.broken:
            raise RuntimeError("The Pool is not active")
        return Future()

    def stop(self):
        time.sleep(0.05)

    def join(self):
        pass


def test_threads_that_find_a_pool_broken_make_one_new_pool(monkeypatch):
    made = []

    def new_pool(self):
        made.append(BreakablePool(broken=not made))
        return made[-1]

    monkeypatch.setattr(LocalCrew, "_new_pool", new_pool)
    crew = LocalCrew(4, Allowance())
    (job,) = jobs("dog")
    with ThreadPoolExecutor(4) as threads:
        list(threads.map(crew.submit, [job] * 4))
    assert len(made) == 2
