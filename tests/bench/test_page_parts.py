"""Parts of the page that no small run fills: bars of mean ranks, and ends of time and memory."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from moteyard.bench.boards import boards
from moteyard.bench.critical import compare_ranks
from moteyard.bench.report.page import Report, commands, expenses, write_page
from moteyard.bench.suite_file import load_suite

BAD = "<b>bold</b>"


@pytest.fixture
def page(tmp_path):
    """Return the text of a page that holds nothing but ranks."""

    def written(ranks):
        nothing = {"answer": None, "cells": [], "gallery": [], "frames": [], "curves": None, "failures": []}
        card = {"suite": "made up", "suite_version": "1"}
        write_page(tmp_path / "page.html", Report(boards=(), ranks=ranks, card=card, **nothing))
        return (tmp_path / "page.html").read_text(encoding="utf-8")

    return written


def test_bars_of_ranks_overlap_where_no_difference_is_told(page):
    rng = np.random.default_rng(3)
    scores = {name: rng.normal(lift, 1, 40) for name, lift in (("a", 1.2), (BAD, 0.9), ("c", 0.3), ("d", -1.0))}
    ranks = compare_ranks(scores)
    text = page({BAD: ranks})
    assert BAD not in text
    rows = re.findall(r'<tr( class="level")?><th scope="row">(.*?)</th>.*?<i style="left:(.*?)%;width:(.*?)%">', text)
    assert [name.replace("&lt;", "<").replace("&gt;", ">") for _, name, _, _ in rows] == list(ranks.mean_rank)
    means = list(ranks.mean_rank.values())
    bars = [(float(left), float(left) + float(width)) for _, _, left, width in rows]
    for one, mean in zip(bars, means, strict=True):
        assert (sum(one) / 2) == pytest.approx(100 * (mean - 0.5) / 4)  # four methods share the width
        for other, second in zip(bars, means, strict=True):
            meet = one[0] < other[1] and other[0] < one[1]
            assert meet == (abs(mean - second) < ranks.difference)
    assert [bool(level) for level, _, _, _ in rows] == [mean - means[0] < ranks.difference for mean in means]
    assert any(bool(level) for level, _, _, _ in rows[1:])
    assert not all(bool(level) for level, _, _, _ in rows)


def test_time_and_memory_run_from_the_least_to_the_most_ground(make_record):
    def ground(name, memory):
        rows = [make_record([2.0], [1], truths=1, ground=name, block=f"{name}{number}") for number in range(3)]
        rows = [replace(row, frame=replace(row.frame, scene=f"{number:016x}")) for number, row in enumerate(rows)]
        return [replace(row, result=replace(row.result, memory_bytes=memory)) for row in rows]

    recipe = load_suite("guard").scene(0).to_json()
    table = {"m": [replace(r, frame=replace(r.frame, recipe=recipe)) for r in ground("sky", 4e6) + ground("rock", 9e6)]}
    (one,) = expenses(boards(table))
    assert one.memory_mb == (4.0, 9.0)
    assert one.cpu_s_per_megapixel == (0.5, 0.5)
    unweighed = {"m": [replace(r, result=replace(r.result, memory_bytes=math.nan)) for r in table["m"]]}
    assert all(map(math.isnan, expenses(boards(unweighed))[0].memory_mb))


def test_commands_in_a_sentence_are_set_off_and_all_is_escaped():
    said = commands(f"In {BAD} use the roll (moteyard find PHOTO… --roll).")
    assert said == "In &lt;b&gt;bold&lt;/b&gt; use the roll (<code>moteyard find PHOTO… --roll</code>)."
