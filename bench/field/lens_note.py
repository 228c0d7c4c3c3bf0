"""What is not known where photographs are by another lens: how much further out, or in, it puts the shadows.

The exit pupil's distance is in no file; only shadows that two lenses share tell it. In scrub, or where a clean left
next to nothing, there are too few.
"""

from __future__ import annotations

import math
from collections.abc import Sequence


def untold(focals_mm: Sequence[float | None], factors: Sequence[float]) -> list[int]:
    """Return the indexes of what was taken at another focal length than the first and yet found to lie as the first.

    A factor of exactly 1 is what searches answer where nothing stands out.

    >>> untold([24.0, 24.0, 85.0, 85.0, None], [1.0, 1.0, 1.0, 1.01, 1.0])
    [2]
    """
    first = focals_mm[0] if focals_mm else None
    pairs = enumerate(zip(focals_mm, factors, strict=True))
    return [index for index, (focal, m) in pairs if None not in (first, focal) and focal != first and m == 1]


def untold_note(names: Sequence[str], *, focals_mm: tuple[float, float], most: float, corner: float, unit: str) -> str:
    """Return the sentence on photographs whose lens nothing tells about.

    Parameters
    ----------
    names
        Of those photographs.
    focals_mm
        Theirs and the first one's.
    most
        Greatest difference of magnification that lenses have.
    corner
        Half the picture's diagonal in `unit`.
    """
    shown = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    reach = most * corner
    digits = max(0, 1 - math.floor(math.log10(reach)))
    return (
        f"{shown}: taken at {focals_mm[0]:g} mm, the first at {focals_mm[1]:g} mm, and too few shared shadows tell how "
        f"far out that lens puts them: anything within ±{100 * most:g} %, {reach:.{digits}f} {unit} in the corners; "
        "it is taken for the same, so there a grain that stayed may pass for none or for another"
    )
