"""How plain dust is on each ground to an ideal observer: the table of hardness in generators/backgrounds/README.md.

    moteyard rank hills --detector dog
    python tests/benchmarks/hardness.py results/hills

The detector plays no part in the numbers: d′ of each shadow is in the truth that `rank` keeps, and the ideal observer's
average precision is that of the run's own page. Grounds stand from easy to hard, by the median at the widest aperture.
"""

import argparse
from pathlib import Path

import numpy as np

from moteyard.bench.boards import boards
from moteyard.bench.errors import YardError
from moteyard.bench.run import stored_table
from moteyard.bench.store import open_store

SURE = 5.5
"""d′ of which one may be sure without knowing where to look."""


def detectability(records, f_number):
    """Return d′ of the shadows that an observer would see, all frames of an aperture together."""
    truths = [record.frame.truth for record in records if record.frame.f_number == f_number]
    return np.concatenate([truth["detectability"][truth["counted"]] for truth in truths])


def quartiles(values):
    low, middle, high = (
        f"{value:.0f}" if value >= 99.95 else f"{value:.1f}" for value in np.quantile(values, (0.25, 0.5, 0.75))
    )
    return f"{middle} ({low}–{high}) | {100 * np.mean(values > SURE):.0f} %"


def precision(value):
    return f"{value:.3f}".lstrip("0")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    try:
        store = open_store(folder)
    except YardError as error:
        parser.error(str(error))
    table, _ = stored_table(store)
    print(f"suite {store.note('suite')}, version {store.note('suite_version')}")
    store.close()
    if not table:
        parser.error(f"{folder} holds no complete results; run the same moteyard rank again to go on")
    records = next(iter(table.values()))
    numbers = sorted({record.frame.f_number for record in records})
    heads = " | ".join(f"d′ at f/{n:g} | above {SURE:g}" for n in numbers)
    print(f"| ground | {heads} | ideal average precision |\n|{'---|' * (2 * len(numbers) + 2)}")
    rows = []
    for board in boards(table):
        here = [record for record in records if record.frame.ground == board.ground]
        seen = [detectability(here, n) for n in numbers]
        ideal = board.ideal.row
        ends = f"{precision(ideal.estimate)} ({precision(ideal.low)}–{precision(ideal.high)})"
        cells = " | ".join(quartiles(values) for values in seen)
        rows.append((-np.median(seen[0]), f"| {board.ground} | {cells} | {ends} |"))
    print("\n".join(text for _, text in sorted(rows)))


if __name__ == "__main__":
    main()
