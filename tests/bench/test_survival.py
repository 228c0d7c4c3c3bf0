"""Runs outlive kill −9, company, a full disk and lost machines: what is stored stays, what is missing is done."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from importlib.util import find_spec
from pathlib import Path
from typing import ClassVar

import pandas as pd
import pytest

from moteyard.bench import cluster
from moteyard.bench.allowance import Allowance
from moteyard.bench.cells import Record
from moteyard.bench.crew import QUEUE, Landing
from moteyard.bench.engine import run_jobs
from moteyard.bench.errors import YardError
from moteyard.bench.export import case_frame
from moteyard.bench.judge import Job
from moteyard.bench.run import stored_table
from moteyard.bench.store import open_store
from moteyard.bench.suite_file import load_suite

LOG = "YARD_TEST_LOG"
"""As in the filler."""

HERE = Path(__file__).parent
FRAMES = 16
MEASURED = ["cpu_s", "memory_mb"]
"""Columns of cases that differ between runs."""

PATIENCE_S = 180


class Filling:
    """A filler process and the file that its detector's calls are noted in."""

    def __init__(self, folder, *words, before=()):
        self.log = folder.parent / f"calls-{len(list(folder.parent.glob('calls-*')))}"
        self.log.touch()
        command = [*before, sys.executable, str(HERE / "filler.py"), str(folder), *words]
        environment = os.environ | {LOG: str(self.log), "OMP_NUM_THREADS": "1", "PYTHONWARNINGS": "default"}
        self.process = subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True)

    def ends(self):
        """Return exit status and what was said at the end, progress bars aside."""
        said = self.process.communicate(timeout=2 * PATIENCE_S)[1]
        return self.process.returncode, said.split("\r")[-1]

    def calls(self):
        """Return (scene, process, its parent) of each call so far."""
        lines = self.log.read_text(encoding="ascii").splitlines()
        return [(scene, int(pid), int(parent)) for scene, pid, parent in map(str.split, lines)]

    def scenes(self):
        return [scene for scene, _, _ in self.calls()]

    def until(self, ready):
        deadline = time.monotonic() + PATIENCE_S
        while not ready():
            assert self.process.poll() is None, self.ends()
            assert time.monotonic() < deadline
            time.sleep(0.005)


def stored(folder):
    """Return scene → when and what of the finished results; nothing while there is no store."""
    try:
        with closing(sqlite3.connect(f"file:{folder / 'run.sqlite'}?mode=ro", uri=True, timeout=30)) as store:
            rows = store.execute("SELECT scene, wall_s, spots FROM result WHERE detector = 'slow' AND problem IS NULL")
            return {scene: (wall_s, spots) for scene, wall_s, spots in rows}
    except sqlite3.OperationalError:
        return {}


def sound(folder):
    with closing(sqlite3.connect(folder / "run.sqlite")) as store:
        return store.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def final_table(folder):
    store = open_store(folder)
    try:
        table, failures = stored_table(store)
    finally:
        store.close()
    assert failures == []
    return case_frame({"slow": table["slow"]}).drop(columns=MEASURED)


@pytest.fixture(scope="module")
def undisturbed():
    """The table as one process makes it that nobody disturbs."""
    suite = load_suite(str(HERE / "tiny.toml"))
    jobs = [Job(scene.to_json(), scene.name.split("/")[0], ("dog",), suite.viewing) for scene in suite.scenes()]
    records = [Record(frame, row) for frame, (row,) in run_jobs(jobs, workers=2)]
    return case_frame({"slow": sorted(records, key=lambda record: record.frame.name)}).drop(columns=MEASURED)


def is_running(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def assert_gone(pids):
    deadline = time.monotonic() + PATIENCE_S
    while any(map(is_running, pids)):
        assert time.monotonic() < deadline, "workers outlive their parent"
        time.sleep(0.02)


@pytest.mark.skipif(sys.platform != "linux", reason="looks for orphans in /proc")
def test_kill_9_at_any_moment_loses_what_was_in_flight_only(tmp_path, undisturbed):
    folder = tmp_path / "run"
    kept = {}
    for least in (0, 3, 8):
        run = Filling(folder)
        run.until(lambda wanted=least: (folder / "run.sqlite").exists() and len(stored(folder)) >= wanted)
        run.process.kill()
        run.ends()
        assert_gone({pid for _, pid, _ in run.calls()})
        found = stored(folder)
        assert least <= len(found) < FRAMES
        assert kept.items() <= found.items(), "what was stored has changed"
        assert not kept.keys() & set(run.scenes()), "what was stored was done again"
        assert len(set(run.scenes()) - found.keys()) <= QUEUE * 2, "more was lost than was in flight"
        kept = found
    run = Filling(folder)
    assert run.ends()[0] == 0
    assert sound(folder)
    assert sorted(run.scenes()) == sorted(stored(folder).keys() - kept.keys())
    assert kept.items() <= stored(folder).items()
    pd.testing.assert_frame_equal(final_table(folder), undisturbed)


def test_two_runs_into_one_folder_share_the_work(tmp_path, undisturbed):
    folder = tmp_path / "run"
    runs = [Filling(folder, "--workers", "1", "--detector", name) for name in ("nothing", "guess")]
    assert [run.ends()[0] for run in runs] == [0, 0]
    calls = [len(run.scenes()) for run in runs]
    assert min(calls) > 0
    assert FRAMES <= sum(calls) <= FRAMES + 4 * QUEUE < 2 * FRAMES
    assert sound(folder)
    pd.testing.assert_frame_equal(final_table(folder), undisturbed)
    with closing(open_store(folder)) as store:
        assert {"slow", "nothing", "guess"} == set(stored_table(store)[0])


def test_a_full_disk_is_one_sentence_and_spoils_nothing(tmp_path, undisturbed):
    """A limit on the size of files stands for a disk that fills up while the run goes on."""
    folder = tmp_path / "run"
    run = Filling(folder, "--workers", "1", "--file-limit", "80000")
    status, said = run.ends()
    assert status == 1
    assert "run.sqlite can't be written" in said
    assert "make room, then run the same command again to go on" in said
    assert "Traceback" not in said
    kept = stored(folder)
    assert 0 < len(kept) < FRAMES
    assert sound(folder)
    run = Filling(folder, "--workers", "1")
    assert run.ends()[0] == 0
    assert not kept.keys() & set(run.scenes())
    pd.testing.assert_frame_equal(final_table(folder), undisturbed)


ON_A_SMALL_DISK = """
mount -t tmpfs -o size=128k none "$1" || exit 77
"$2" "$3" "$1/run" --workers 1
status=$?
test $status = 1 || exit 78
cp "$1/run/run.sqlite" "$4/full.sqlite" && cp "$1/run/run.sqlite-wal" "$4/full.sqlite-wal" 2>/dev/null
mount -o remount,size=64m "$1"
"$2" "$3" "$1/run" --workers 1 && cp "$1/run/run.sqlite" "$4/run/run.sqlite"
"""
"""Fills a disk of 128 kB, says how it ended, makes room and goes on."""


def test_a_disk_that_is_really_full(tmp_path, undisturbed):
    mount, folder = tmp_path / "disk", tmp_path / "run"
    mount.mkdir()
    folder.mkdir()
    apart = ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", ON_A_SMALL_DISK, "sh"]
    words = [str(mount), sys.executable, str(HERE / "filler.py"), str(tmp_path)]
    log = tmp_path / "calls"
    log.touch()
    try:
        done = subprocess.run(
            [*apart, *words], env=os.environ | {LOG: str(log)}, capture_output=True, text=True, check=False
        )
    except FileNotFoundError:
        pytest.skip("there is no unshare to mount a small disk with")
    if done.returncode == 77 or "unshare failed" in done.stderr:
        pytest.skip("a small disk can't be mounted here")
    assert done.returncode == 0, done.stderr
    assert "can't be written (database or disk is full)" in done.stderr
    assert "Traceback" not in done.stderr
    with closing(sqlite3.connect(tmp_path / "full.sqlite")) as store:
        assert store.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert 0 < store.execute("SELECT count(*) FROM result").fetchone()[0] < FRAMES
    pd.testing.assert_frame_equal(final_table(folder), undisturbed)


class FakeCrew:
    """Does a job, a function, in the calling thread."""

    made: ClassVar[list["FakeCrew"]] = []

    def __init__(self, workers, allowance):
        self.stopped = False
        self.made.append(self)

    def submit(self, job):
        return job()

    def land(self, future):
        return Landing(problem="done")

    def stop(self):
        self.stopped = True


def test_a_worker_of_many_runs_lets_idle_crews_go_and_none_at_work(monkeypatch):
    for name, stand_in in (
        ("_crews", {}),
        ("LocalCrew", FakeCrew),
        ("_threads", lambda: 1),
        ("_check_worker", lambda orders: None),
    ):
        monkeypatch.setattr(cluster, name, stand_in)
    monkeypatch.setattr(cluster.atexit, "register", lambda *words: None)
    FakeCrew.made.clear()

    def others():
        for number in range(cluster.CREWS):
            cluster.do_job(lambda: None, cluster.Orders(f"other {number}", "", Allowance()))
        assert [crew.stopped for crew in FakeCrew.made] == [False, True, False, False, False]

    cluster.do_job(others, cluster.Orders("first", "", Allowance()))
    cluster.do_job(lambda: None, cluster.Orders("last", "", Allowance()))
    assert FakeCrew.made[0].stopped  # idle now, and the oldest


needs_dask = pytest.mark.skipif(find_spec("distributed") is None, reason="needs the extra: moteyard[cluster]")


def dask(*words, log):
    environment = os.environ | {LOG: str(log), "OMP_NUM_THREADS": "1"}
    return subprocess.Popen(
        [sys.executable, "-m", "dask", *words, "--no-dashboard"],
        env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


@needs_dask
def test_a_cluster_loses_a_worker_and_no_row(tmp_path, undisturbed):
    folder, card, log = tmp_path / "run", tmp_path / "scheduler.json", tmp_path / "calls"
    log.touch()
    where = ["--scheduler-file", str(card)]
    crowd = [dask("scheduler", "--host", "127.0.0.1", "--port", "0", *where, log=log)]
    try:
        crowd += [dask("worker", "--no-nanny", "--nthreads", "1", *where, log=log) for _ in range(2)]
        deadline = time.monotonic() + PATIENCE_S
        while not card.is_file():
            assert time.monotonic() < deadline
            time.sleep(0.05)
        address = json.loads(card.read_text(encoding="utf-8"))["address"]
        run = Filling(folder, "--scheduler", address)
        run.log = log
        run.until(lambda: len(stored(folder)) >= 3)
        victim = run.calls()[-1][2]
        assert victim in {worker.pid for worker in crowd[1:]}, "the detector does not run below a worker of dask"
        os.kill(victim, signal.SIGKILL)
        assert len(stored(folder)) < FRAMES, "the run was over before a worker was killed"
        status, said = run.ends()
        assert status == 0, said
    finally:
        for process in crowd:
            process.kill()  # asked to end together with their scheduler, workers of dask may hang
            process.wait(timeout=PATIENCE_S)
    assert len(run.calls()) - FRAMES <= QUEUE * 2, "more was done again than was in flight"
    pd.testing.assert_frame_equal(final_table(folder), undisturbed)
    assert_gone({pid for _, pid, _ in run.calls()})


@needs_dask
def test_a_scheduler_that_is_not_there_is_one_sentence(monkeypatch):
    monkeypatch.setattr(cluster, "GREETING_S", 0.5)
    with pytest.raises(YardError, match=r"no dask scheduler answers at tcp://127\.0\.0\.1:9; start one"):
        cluster.ClusterCrew("tcp://127.0.0.1:9", Allowance(), "")


def test_without_dask_the_extra_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(YardError, match=r"pip install 'moteyard\[cluster\]'"):
        cluster.ClusterCrew("tcp://127.0.0.1:9", Allowance(), "")


def test_a_worker_with_other_versions_is_refused():
    orders = cluster.Orders("run", "numpy 1.0", Allowance())
    with pytest.raises(YardError, match=r"a worker has moteyard .* where this run has numpy 1\.0"):
        cluster.do_job(None, orders)
