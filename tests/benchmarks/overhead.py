"""What the harness costs beside rendering and detecting: overhead, two cores against one, cached reruns, memory.

Run by hand: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/overhead.py [PART…]
The parts are cost, cores, cluster, cached and memory.

Frames are those of `standard`, smaller where memory is measured. Others on the machine disturb wall-clock times; CPU
times hardly, and parts of a frame are timed one after the other, so what disturbs one disturbs all.
"""

import dataclasses
import itertools
import json
import multiprocessing
import pickle
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import cv2

from moteyard.bench.allowance import Allowance
from moteyard.bench.cluster import ClusterCrew
from moteyard.bench.crew import QUEUE, LocalCrew
from moteyard.bench.engine import drive
from moteyard.bench.judge import Job, frame_row, judge, photograph, seat_of
from moteyard.bench.provenance import library_versions
from moteyard.bench.run import Means, Missing, fill, fingerprints
from moteyard.bench.store import Store
from moteyard.bench.suite_file import load_suite
from moteyard.detectors.registry import names
from moteyard.generators.scene import render

FEW, MANY = 50, 500


def suite(frames, width=1200):
    """Return `standard` with about so many frames in all, of another width if wanted."""
    made = load_suite("standard")
    camera = dataclasses.replace(made.camera, width_px=width, height_px=width * 2 // 3)
    return dataclasses.replace(made, camera=camera, frames=max(1, round(frames * made.frames / len(made))))


def cpu_of(who):
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


def cost():
    """Overhead in the worker by parts, in the parent by a whole run, and the cached rerun."""
    cv2.setNumThreads(1)
    made, seats = suite(16), [seat_of(name) for name in names()]
    spent = dict.fromkeys(("render", "detect", "frame row", "hand over, hold to limits, match"), 0.0)
    for round_ in range(2):  # the first warms up
        spent = dict.fromkeys(spent, 0.0)
        for scene in itertools.islice(made.scenes(), 0, None, 1 if round_ else 4):
            marks = [time.process_time()]
            frame = render(scene)
            marks.append(time.process_time())
            row = frame_row(frame, ground="", viewing=made.viewing, render_s=0.0)
            shot = photograph(frame)
            marks.append(time.process_time())
            allowance = Allowance(memory_gb=4.0)
            rows = [judge(frame, row, shot=shot, seat=seat, allowance=allowance) for seat in seats]
            marks.append(time.process_time())
            detect = sum(row.cpu_s for row in rows)
            steps = [after - before for before, after in itertools.pairwise(marks)]
            for part, value in zip(spent, (steps[0], detect, steps[1], steps[2] - detect), strict=True):
                spent[part] += value
    base = spent["render"] + spent["detect"]
    for part, value in spent.items():
        print(f"  {part:<34}{1000 * value / len(made):8.1f} ms a frame {100 * value / base:7.2f} %")
    parent = parents_part()
    share = 100 * parent * len(made) / base
    print(f"  {'parent: queue, store, bar':<34}{1000 * parent:8.1f} ms a frame {share:7.2f} %")
    overhead = (sum(spent.values()) + parent * len(made)) / base - 1
    print(f"overhead: {100 * overhead:.1f} % of rendering and detecting (target 5)")


def parents_part():
    """Return CPU seconds that this process spends on a frame's rows: many frames less few, small ones."""
    used = {}
    for frames in (16, 64):
        made = suite(frames, 300)
        with tempfile.TemporaryDirectory() as folder:
            before = cpu_of(resource.RUSAGE_SELF)
            fill(Path(folder), made, names(), means=Means(workers=1)).close()
            used[len(made)] = cpu_of(resource.RUSAGE_SELF) - before
    (few, less), (many, more) = used.items()
    return (more - less) / (many - few)


def cached():
    """A first run and later ones that find nothing to do, with all that `rank` does, by CPU and by the clock."""
    code = "import sys; from moteyard.bench.cli import main; sys.exit(main(sys.argv[1:]))"
    times = []
    with tempfile.TemporaryDirectory() as folder:
        words = ["rank", "standard" if "--standard" in sys.argv else "quick", "--out", f"{folder}/run"]
        for _ in range(6):
            before, clock = cpu_of(resource.RUSAGE_CHILDREN), time.perf_counter()
            subprocess.run([sys.executable, "-c", code, *words], capture_output=True, check=True)
            times.append((cpu_of(resource.RUSAGE_CHILDREN) - before, time.perf_counter() - clock))
    for name, (first, *later) in zip(("CPU", "clock"), zip(*times, strict=True), strict=True):
        again = statistics.median(later)
        print(f"  {name}: first {first:.1f} s, again {again:.2f} s: {first / again:.0f} times (target 100)")


def cores():
    """Two workers against one: frames a second, and what holds on a busy machine too.

    A worker runs, waits for a core that others have, or waits for a job. Only the last is the engine's fault, and the
    kernel counts the first two. So efficiency by work is the share of a whole run, from the pool's start to the last
    frame's end, in which workers did not wait for a job, times how much more CPU a frame takes beside another.
    """
    made, runs = suite(32, 600), {1: [], 2: []}
    for workers in (1, 2, 1, 2):
        one = throughput(made, workers)
        runs[workers].append(one)
        print(
            f"  {workers} workers: {one.rate:.2f} frames/s, {1000 * one.cpu:.0f} ms of CPU a frame, at work "
            f"{100 * one.busy:.1f} % in the middle, {100 * one.whole:.1f} % of the whole run; "
            f"parent {100 * one.parent:.1f} % of their CPU"
        )
    rate = {workers: max(one.rate for one in some) for workers, some in runs.items()}
    cpu = {workers: min(one.cpu for one in some) for workers, some in runs.items()}
    whole = max(one.whole for one in runs[2])
    print(f"efficiency by the clock: {rate[2] / 2 / rate[1]:.2f}; by work: {whole * cpu[1] / cpu[2]:.2f} (target .9)")


@dataclasses.dataclass(frozen=True)
class Run:
    """Frames a second and CPU a frame in the middle, share of time at work there and in all, parent's CPU."""

    rate: float
    cpu: float
    busy: float
    whole: float
    parent: float


def throughput(made, workers):
    """Run a suite; its middle is from the first frame stored to the last that still had another waiting behind it."""
    with tempfile.TemporaryDirectory() as folder:
        store, marks = Store(Path(folder) / "run.sqlite"), []
        start, parents = time.perf_counter(), time.process_time()
        for frame, rows in drive(missing(store, made), LocalCrew(workers, Allowance())):
            store.add(frame, rows)
            marks.append((time.perf_counter(), *schedule()))
        parents = time.process_time() - parents
        store.close()
    first, last, end = marks[QUEUE * workers], marks[-1 - QUEUE * workers], marks[-1]
    frames = len(marks) - 2 * QUEUE * workers - 1
    wall = last[0] - first[0]
    return Run(
        rate=frames / wall,
        cpu=(last[1] - first[1]) / frames,
        busy=(sum(last[1:]) - sum(first[1:])) / (workers * wall),
        whole=sum(end[1:]) / (workers * (end[0] - start)),
        parent=parents / end[1],
    )


def missing(store, made):
    return Missing(store, made, ["matched", "dog"], marks=list(fingerprints(["matched", "dog"]).values()))


def schedule():
    """Return seconds that the workers ran, and that they waited for a core (Linux's schedstat)."""
    texts = [Path(f"/proc/{child.pid}/schedstat").read_text() for child in multiprocessing.active_children()]
    ran, waited = zip(*(map(int, text.split()[:2]) for text in texts), strict=True)
    return sum(ran) / 1e9, sum(waited) / 1e9


def cluster():
    """Frames a second of one and two workers of dask on loopback, and bytes that travel for a frame."""
    made = suite(32, 600)
    for workers in (1, 2, 1, 2):
        with tempfile.TemporaryDirectory() as folder:
            card = Path(folder) / "scheduler.json"
            crowd = [dask("scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", card)]
            crowd += [dask("worker", "--no-nanny", "--nthreads", "1", "--scheduler-file", card) for _ in range(workers)]
            try:
                while not card.is_file():
                    time.sleep(0.1)
                crew = ClusterCrew(json.loads(card.read_text())["address"], Allowance(), library_versions())
                store, marks, sizes = Store(Path(folder) / "run.sqlite"), [], []
                jobs = missing(store, made)
                for frame, rows in drive(jobs, crew):
                    store.add(frame, rows)
                    marks.append(time.perf_counter())
                    sizes.append(len(pickle.dumps((frame, rows))))
                sent = len(pickle.dumps(Job(frame.recipe, frame.ground, ("matched", "dog"), made.viewing)))
                store.close()
            finally:
                for process in crowd:
                    process.kill()
                    process.wait()
        rate = (len(marks) - 2 * QUEUE * workers - 1) / (marks[-1 - QUEUE * workers] - marks[QUEUE * workers])
        print(f"  {workers} workers: {rate:.2f} frames/s; {sent} bytes out, {sum(sizes) / len(sizes):.0f} back a frame")


def dask(*words):
    command = [sys.executable, "-m", "dask", *map(str, words), "--no-dashboard"]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def memory():
    """Peak memory of the parent and of its largest worker, for few and many frames, each in a fresh process."""
    for frames in (FEW, MANY):
        # A child of a small shell: a forked process starts with its parent's peak to its name.
        done = subprocess.run(
            ["sh", "-c", '"$0" "$@"; true', sys.executable, __file__, "fill", str(frames)],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        print(f"  {done.stdout.strip()}")


def fill_and_tell(frames):
    made, peak = suite(frames, 240), {"worker": 0}
    threading.Thread(target=watch, args=(peak,), daemon=True).start()
    with tempfile.TemporaryDirectory() as folder:
        before = resident("self", "VmRSS")
        fill(Path(folder), made, ["dog"], means=Means(workers=1)).close()
    parent = resident("self", "VmHWM")
    print(f"{len(made)} frames: parent {parent:.0f} MB ({before:.0f} before), worker {peak['worker']:.0f} MB")


def watch(peak):
    while True:
        for child in multiprocessing.active_children():
            peak["worker"] = max(peak["worker"], resident(child.pid, "VmHWM"))
        time.sleep(0.2)


def resident(pid, key):
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith(key)), 0.0)


PARTS = {"cost": cost, "cores": cores, "cluster": cluster, "cached": cached, "memory": memory}


def main(wanted):
    for name in [part for part in wanted if part in PARTS] or PARTS:
        print(f"{name}: {PARTS[name].__doc__}")
        PARTS[name]()


if __name__ == "__main__":
    if sys.argv[1:2] == ["fill"]:
        fill_and_tell(int(sys.argv[2]))
    else:
        main(sys.argv[1:])
