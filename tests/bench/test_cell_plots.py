"""Plots for print hold the numbers that they are made of, and come out the same each time."""

from xml.etree import ElementTree

import numpy as np
import pytest

from moteyard.bench.cost_curve import RATIOS
from moteyard.bench.report import cell_plots


@pytest.fixture
def cells():
    def entry(scale):
        return {
            "false_alarms_per_frame": [0.0, 0.5, 2.0],
            "recall": [0.1 * scale, 0.2 * scale, 0.4 * scale],
            "cost": np.linspace(1, 0.2 * scale, len(RATIOS)).tolist(),
        }

    return [
        {"ground": ground, "f_number": f, "methods": {"b": entry(1), "<a>": entry(0.5), "ideal": entry(2)}}
        for ground in ("sky", "rock")
        for f in (22.0, 8.0)
    ]


def test_each_panel_holds_its_cell(cells, tmp_path, monkeypatch):
    figures = []
    monkeypatch.setattr(cell_plots, "save", lambda figure, path: figures.append(figure))
    cell_plots.write_froc(cells, tmp_path / "froc.png")
    cell_plots.write_costs(cells, tmp_path / "cost.png")
    froc, cost = figures
    assert [panel.get_title() for panel in froc.axes] == ["sky, f/8", "sky, f/22", "rock, f/8", "rock, f/22"]
    lines = {line.get_label(): line for line in froc.axes[0].lines}
    assert lines["b"].get_ydata().tolist() == [0.1, 0.2, 0.4]
    assert lines["<a>"].get_xdata().tolist() == [0.0, 0.5, 2.0]
    assert lines["ideal"].get_color() != lines["b"].get_color() != lines["<a>"].get_color()
    assert cost.axes[0].lines[0].get_xdata().tolist() == list(RATIOS)
    assert len(cost.axes[0].lines) == 3
    cell_plots.write_costs(cells, tmp_path / "cost.png", at=0.5)
    assert [panel.lines[3].get_xdata() for panel in figures[2].axes] == [[0.5, 0.5]] * 4


def test_the_same_numbers_give_the_same_files(cells, tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        cell_plots.write_froc(cells[:2], tmp_path / name / "froc.png")
    for kind in ("png", "svg"):
        assert (tmp_path / "one" / f"froc.{kind}").read_bytes() == (tmp_path / "two" / f"froc.{kind}").read_bytes()
    ElementTree.parse(tmp_path / "one" / "froc.svg")  # a hostile name would break what is not escaped
