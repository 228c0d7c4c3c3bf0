"""A run of the tiny suite in a process of its own, for tests that kill it: filler.py FOLDER [options].

Its detector, `Slow`, writes a line a call to a file: the scene, its process and its process's parent.
"""

import argparse
import os
import sys
import time
from pathlib import Path

from moteyard.bench.allowance import Allowance
from moteyard.bench.errors import YardError
from moteyard.bench.run import Means, fill
from moteyard.bench.suite_file import load_suite
from moteyard.detectors.contract import Spots
from moteyard.detectors.dog import DifferenceOfGaussians

LOG = "YARD_TEST_LOG"
HERE = Path(__file__).parent


class Slow(DifferenceOfGaussians):
    """As its base, after a moment's sleep."""

    name, version = "slow", "1"

    def detect_one(self, photograph) -> Spots:
        with open(os.environ[LOG], "a", encoding="ascii") as log:
            log.write(f"{photograph.roll} {os.getpid()} {os.getppid()}\n")
        time.sleep(0.15)
        return super().detect_one(photograph)


SLOW = f"{Path(__file__).resolve()}:Slow"


def main():
    words = argparse.ArgumentParser()
    words.add_argument("folder", type=Path)
    words.add_argument("--detector", action="append", default=[])
    words.add_argument("--workers", type=int, default=2)
    words.add_argument("--scheduler")
    words.add_argument("--file-limit", type=int)
    options = words.parse_args()
    if options.file_limit is not None:
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (options.file_limit, resource.RLIM_INFINITY))
    means = Means(options.workers, options.scheduler, Allowance())
    try:
        fill(options.folder, load_suite(str(HERE / "tiny.toml")), [SLOW, *options.detector], means=means).close()
    except YardError as error:
        sys.exit(f"moteyard: {error}")


if __name__ == "__main__":
    main()
