"""A contact sheet: every kind of thing on a filter at every aperture, and every background clean and dusty."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..generators.backgrounds import BACKGROUNDS
from ..generators.camera import Camera
from ..generators.contamination import read_state
from ..generators.droplet import Droplet
from ..generators.fibre import Fibre
from ..generators.flake import Flake
from ..generators.irregular import IrregularGrain
from ..generators.optics import Optics
from ..generators.particles import Grain, Particle
from ..generators.ring import Ring
from ..generators.scene import Scene, render, scene_seed
from ..generators.scratch import Scratch
from ..generators.shade import shade
from ..generators.transfer import encode
from .errors import YardError

Pixels = NDArray[np.uint8]

APERTURES = (4, 5.6, 8, 11, 16, 22, 32)

SPECIMENS: dict[str, Particle] = {
    "round grain 30 µm": Grain(0, 0, 30),
    "irregular grain 50 µm": IrregularGrain(0, 0, 50, aspect=1.6, roughness=0.2, angle_deg=30, shape_seed=2),
    "fibre 15 µm": Fibre(0, 0, 15, 800, curl_rad=1.4, angle_deg=20, shape_seed=5),
    "flake 70 µm": Flake(0, 0, 70, 0.75, 0.25, shape_seed=3),
    "drying ring 250 µm": Ring(0, 0, 250, 8, 0.5, irregularity=0.05, film_path_um=0.06, shape_seed=4),
    "flat droplet 5°": Droplet(0, 0, 40, 5),
    "steep droplet 15°": Droplet(0, 0, 40, 15),
    "scratch 8 µm": Scratch(0, 0, 8, 600, 0.5, 0.25, angle_deg=-35),
}

_TILE, _ZOOM, _GAP, _LABEL = 150, 4, 6, 18
_GREY = 0.4
"""Linear light of the tiles."""

_GROUND = (615, 410)
"""Width and height of a background's picture."""


def write_sheet(path: Path) -> None:
    """Write the sheet as PNG or JPEG, by the file's ending; an existing file is never replaced.

    Above, a row a kind: tiles of 0.9 mm of the filter at f/4…f/32, 1 mm before pixels of 6 µm, on grey
    without noise, and the middle of the f/16 tile four times as large. Below, a row a background: clean and
    with the dust of the state field-day at f/16.

    Raises
    ------
    YardError
        If the file exists already or its ending is none of .png, .jpg and .jpeg.
    """
    from PIL import Image  # only pictures need it

    if path.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise YardError(f"the sheet's file must end in .png or .jpg, not {path.name!r}")
    if path.exists():
        raise YardError(f"{path} exists already; choose another name or move it away")
    parts = [_heading(), *(_specimen(name, thing) for name, thing in SPECIMENS.items())]
    parts += [_ground(name) for name in _paintable()]
    width = max(part.shape[1] for part in parts)
    sheet = np.concatenate([_padded(part, width) for part in parts])
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(sheet).save(path)


def _paintable() -> list[str]:
    """Return the backgrounds that need no option."""
    return [
        name for name, kind in BACKGROUNDS.items() if all(_has_default(field) for field in dataclasses.fields(kind))
    ]


def _has_default(field: dataclasses.Field[Any]) -> bool:
    return field.default is not dataclasses.MISSING or field.default_factory is not dataclasses.MISSING


def _padded(part: Pixels, width: int) -> Pixels:
    return np.pad(part, ((0, _GAP), (0, width - part.shape[1]), (0, 0)), constant_values=255)


def _side_by_side(pictures: list[Pixels]) -> Pixels:
    gap = np.full((pictures[0].shape[0], _GAP, 3), 255, np.uint8)
    return np.concatenate([piece for picture in pictures for piece in (picture, gap)], axis=1)


def _caption(text: str, width: int) -> Pixels:
    from PIL import Image, ImageDraw, ImageFont

    strip = Image.new("RGB", (width, _LABEL), "white")
    ImageDraw.Draw(strip).text((2, 1), text, fill="black", font=ImageFont.load_default(12))
    return np.asarray(strip)


def _heading() -> Pixels:
    return _side_by_side([_caption(f"f/{n:g}", _TILE) for n in APERTURES] + [_caption(f"f/16, {_ZOOM}x", _TILE)])


def _specimen(name: str, thing: Particle) -> Pixels:
    tiles = {n: _tile(thing, n) for n in APERTURES}
    row = _side_by_side([*tiles.values(), _zoomed(tiles[16])])
    return np.concatenate([_caption(name, row.shape[1]), row])


def _tile(thing: Particle, f_number: float) -> Pixels:
    light = np.full((_TILE, _TILE, 3), _GREY, np.float32)
    middle = (_TILE - 1) / 2
    shade(light, thing.shadow(Optics(f_number=f_number), x=middle, y=middle))
    pixels: Pixels = encode(light, bits=8, encoding="srgb")
    return pixels


def _zoomed(tile: Pixels) -> Pixels:
    """Return the part about the darkest pixel, enlarged without smoothing."""
    side = _TILE // _ZOOM
    row, column = np.unravel_index(int(np.argmin(tile.sum(axis=2))), tile.shape[:2])
    top, left = (int(np.clip(place - side // 2, 0, _TILE - side)) for place in (row, column))
    part = np.repeat(np.repeat(tile[top : top + side, left : left + side], _ZOOM, axis=0), _ZOOM, axis=1)
    return np.pad(part, ((0, _TILE - part.shape[0]), (0, _TILE - part.shape[1]), (0, 0)), constant_values=255)


def _ground(name: str) -> Pixels:
    frame = render(
        Scene(
            name=name,
            background=name,
            optics=Optics(f_number=16),
            camera=Camera(width_px=_GROUND[0], height_px=_GROUND[1]),
            population=read_state("field-day"),
            seed=scene_seed(16, "develop", "sheet", name),
        )
    )
    row = _side_by_side([encode(frame.clean, bits=8, encoding="srgb"), frame.pixels])
    return np.concatenate([_caption(f"{name}: clean, and with {len(frame.truth)} shadows at f/16", row.shape[1]), row])
