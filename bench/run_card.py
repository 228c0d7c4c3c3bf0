"""The card of a run: what one needs to make it again, and whose photographs it used."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ..generators.scene import NAMESPACES, Scene
from .cells import Record, Table

HIDDEN = frozenset({"scenes", "specs", "format", "fingerprints", "suite", "suite_version", "suite_digest", "answer"})
"""Notes of the store that the card words otherwise, or that only machines read."""

CREDIT_FILES = ("CREDITS.md", "CREDITS.txt", "CREDITS", "LICENSE", "LICENSE.txt", "LICENCE.txt")
"""Files beside photographs that tell whose they are."""

LONGEST = 6000
"""Characters taken of such a file."""

_ARTIST, _COPYRIGHT = 0x013B, 0x8298
"""EXIF tags (CIPA DC-008)."""


def run_card(notes: Mapping[str, Any], table: Table) -> dict[str, Any]:
    """Return what stands on the card, in its order; all of it text that a page still has to escape.

    Parameters
    ----------
    notes
        The store's `card()`.
    """
    records = next(iter(table.values()), [])
    suite = {key: notes[key] for key in ("suite", "suite_version", "suite_digest") if key in notes}
    rest = {key: value for key, value in sorted(notes.items()) if key not in HIDDEN}
    return {
        **suite,
        **rest,
        "seeds": _seeds(records),
        "frames": f"{len(records)}, digest of all their pixels {pixel_digest(records)}",
        "methods": dict(notes.get("fingerprints", {})),
        "pictures": _credits(records),
    }


def pixel_digest(records: Sequence[Record]) -> str:
    """Return sixteen hex digits that name the pixels of all frames, in their order."""
    text = " ".join(record.frame.pixels for record in records)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _seeds(records: Sequence[Record]) -> str:
    seeds = {Scene.from_json(record.frame.recipe).seed[:2] for record in records}
    known = sorted({f"{seed[1]}, namespace {NAMESPACES[seed[0]]}" for seed in seeds if len(seed) == 2})
    return "; ".join(known) or "none"


def _credits(records: Sequence[Record]) -> list[str]:
    """Return a line a photograph with what its EXIF says, and the text of credit files beside them."""
    sources = _photographs(records)
    if not sources:
        return ["all backgrounds are painted by this project, MIT licence"]
    lines = [f"{path.name}: {_exif_credit(path)}" for path in sources]
    folders = sorted({path.parent for path in sources})
    files = [folder / name for folder in folders for name in CREDIT_FILES if (folder / name).is_file()]
    return lines + [f"{file.name}: {file.read_text(encoding='utf-8', errors='replace')[:LONGEST]}" for file in files]


def _photographs(records: Sequence[Record]) -> list[Path]:
    scenes = (json.loads(record.frame.recipe) for record in records if '"photograph"' in record.frame.recipe)
    options = [dict(scene["options"]) for scene in scenes if scene["background"] == "photograph"]
    return sorted({Path(option["folder"]) / option["file"] for option in options if "file" in option})


def _exif_credit(path: Path) -> str:
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(path) as picture:
            tags = picture.getexif()
    except (OSError, UnidentifiedImageError):
        return "no longer there, or not readable"
    said = [str(tags[tag]).strip("\0 ") for tag in (_ARTIST, _COPYRIGHT) if tags.get(tag)]
    return ", ".join(said) or "EXIF names neither author nor licence"
