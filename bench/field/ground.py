"""Which judged cell speaks for a part of a real photograph."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from ..choice import CellChoice, Choice

BEYOND = 1.5
"""A ground is unknown where its texture is this many times rougher than any that was judged."""

UNKNOWN = "unknown"
"""Stands for ground that is like none of the judged ones."""


FAR_STOPS = 1.01
"""Stops from the nearest judged aperture beyond which nothing was judged; markings are rounded, hence the 0.01."""


def cells_for(choice: Choice, f_number: float | None) -> tuple[CellChoice, ...]:
    """Return one cell a ground: that of the nearest judged f-number, in stops, not to be trusted from afar.

    Where a photograph's f-number is unknown, each ground's most cautious numbers stand together: the highest
    threshold, the least recall, and trust only where every aperture has it.
    """
    by_ground: dict[str, list[CellChoice]] = {}
    for cell in choice.cells:
        by_ground.setdefault(cell.ground, []).append(cell)
    if f_number is None:
        return tuple(_cautious(cells) for cells in by_ground.values())
    return tuple(_nearest_aperture(cells, f_number) for cells in by_ground.values())


def _nearest_aperture(cells: Sequence[CellChoice], f_number: float) -> CellChoice:
    def stops(cell: CellChoice) -> float:
        return abs(2 * math.log2(cell.f_number / f_number))

    nearest = min(cells, key=stops)
    return nearest if stops(nearest) <= FAR_STOPS else replace(nearest, trusted=False)


def _cautious(cells: Sequence[CellChoice]) -> CellChoice:
    least = min(cells, key=lambda cell: cell.recall if not math.isnan(cell.recall) else -1.0)
    return replace(
        least,
        threshold=max(cell.threshold for cell in cells),
        false_alarms_per_frame=max(cell.false_alarms_per_frame for cell in cells),
        texture_low=min(cell.texture_low for cell in cells),
        texture_high=max(cell.texture_high for cell in cells),
        trusted=all(cell.trusted for cell in cells),
    )


def names_of(cells: Sequence[CellChoice]) -> list[str]:
    """Return the cells' grounds and, past them, the name of ground that is like none."""
    return [cell.ground for cell in cells] + [UNKNOWN]


def nearest(texture: float, cells: Sequence[CellChoice]) -> int:
    """Return the index of the ground whose range of texture is nearest, or one past the last if too rough.

    Distance is the ratio to the nearer end of the range; inside two ranges the rougher ground is assumed.
    """
    if texture > BEYOND * max(cell.texture_high for cell in cells):
        return len(cells)
    gaps = [_gap(texture, cell) for cell in cells]
    return max(index for index, gap in enumerate(gaps) if gap == min(gaps))


def _gap(texture: float, cell: CellChoice) -> float:
    tiny = 1e-6
    low, high = max(cell.texture_low, tiny), max(cell.texture_high, tiny)
    return max(0.0, math.log(low / max(texture, tiny)), math.log(max(texture, tiny) / high))
