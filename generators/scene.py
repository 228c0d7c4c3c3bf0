"""A scene, written down to the last number, and the labelled frame it renders to."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .backgrounds import make
from .backgrounds.photograph import PhotographFolder
from .backgrounds.screen import Screen
from .camera import Camera
from .contamination import State, dust_from
from .detectability import NEIGHBOURHOOD, detectability, ground_spectrum, tile_side
from .distractors import Distractor, Distractors, screen_marks
from .optics import Optics
from .particles import Even, Population
from .shade import footprint, overlap, shaded
from .shadow import LUMINANCE, Shadow
from .transfer import decode
from .truth import Cast, Placed, Truth, cast_all

FloatArray = NDArray[np.float64]

NAMESPACES = ("train", "develop", "report")
"""Seeds are split so that what a method was tuned on is never what it is judged on."""

_FLOOR = 1e-4
"""Linear floor under logarithms, below the first 8-bit sRGB code."""


@dataclass(frozen=True, slots=True)
class Scene:
    """One exposure, serialisable; the same scene renders to the same bits in any process and order.

    Attributes
    ----------
    name
        Unique in its suite.
    background, options
        Name of a background and its options as (key, value) pairs.
    optics, camera, population
        What it is taken with and what lies on the filter: a law of grains, or a named state with all kinds.
    seed
        Words for `numpy.random.SeedSequence`; the first tells the namespace.
    block
        Scenes that share a source (crops of one photograph) share a block: statistics resample blocks.
    source
        Digest of a file that the background reads, or "".
    distractors
        How many things that only look like dust there are on average.
    """

    name: str
    background: str
    optics: Optics = field(default_factory=Optics)
    camera: Camera = field(default_factory=Camera)
    population: Population | State | Even = field(default_factory=Population)
    options: tuple[tuple[str, Any], ...] = ()
    seed: tuple[int, ...] = (0,)
    block: str = ""
    source: str = ""
    distractors: Distractors = field(default_factory=Distractors)

    def to_json(self) -> str:
        """Return the scene as JSON with sorted keys."""
        return json.dumps(asdict(self), sort_keys=True)

    @classmethod
    def from_json(cls, text: str) -> Scene:
        """Return the scene that `to_json` wrote."""
        raw = json.loads(text)
        return cls(
            name=raw["name"],
            background=raw["background"],
            optics=Optics(**raw["optics"]),
            camera=Camera(**raw["camera"]),
            population=dust_from(raw["population"]),
            options=tuple((key, value) for key, value in raw["options"]),
            seed=tuple(raw["seed"]),
            block=raw["block"],
            source=raw["source"],
            distractors=Distractors(**raw["distractors"]),
        )

    @property
    def digest(self) -> str:
        """Sixteen hex digits that name the scene's content."""
        return hashlib.sha256(self.to_json().encode()).hexdigest()[:16]

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels."""
        return self.camera.height_px, self.camera.width_px

    def generators(self) -> tuple[np.random.Generator, ...]:
        """Return four independent generators: for the ground, the dust, the camera, the distractors."""
        return tuple(np.random.default_rng(child) for child in np.random.SeedSequence(self.seed).spawn(4))


def scene_seed(entropy: int, namespace: str, *words: str) -> tuple[int, ...]:
    """Return a seed that depends on the suite's entropy, the namespace and the words, on nothing else.

    Raises
    ------
    ValueError
        If the namespace is unknown.
    """
    if namespace not in NAMESPACES:
        raise ValueError(f"unknown seed namespace {namespace!r}; known are {', '.join(NAMESPACES)}")
    digest = hashlib.sha256("/".join(words).encode()).digest()
    return (NAMESPACES.index(namespace), entropy, *np.frombuffer(digest[:16], dtype="<u4").tolist())


@dataclass(frozen=True, slots=True)
class Frame:
    """A rendered exposure.

    Attributes
    ----------
    scene
        Where it came from.
    pixels
        File codes (height, width, 3), uint8 or uint16, read-only.
    truth
        The labels.
    clean
        Linear radiance without dust or noise, float32 (height, width, 3), read-only.
    footprint
        Index into the truth of the fibre, ring or scratch whose shadow lies on a pixel, int16 (height, width),
        −1 elsewhere, read-only: a place anywhere along a line is a place on it. None where there is none.
    ignored
        Where the frame is not to be judged, booleans (height, width), or None: a photograph's own mask.
    distractors
        What only looks like dust, labelled as what it is.
    """

    scene: Scene
    pixels: NDArray[Any]
    truth: Truth
    clean: NDArray[np.float32]
    footprint: NDArray[np.int16] | None = None
    ignored: NDArray[np.bool_] | None = None
    distractors: tuple[Distractor, ...] = ()

    @property
    def digest(self) -> str:
        """Sixteen hex digits that name the pixels."""
        return hashlib.sha256(np.ascontiguousarray(self.pixels).tobytes()).hexdigest()[:16]


def render(scene: Scene, *, measured: bool = True) -> Frame:
    """Return the labelled frame of a scene.

    Without `measured` the labels' detectability and luminance are nan, which halves the time of a dusty frame.
    """
    ground_rng, dust_rng, camera_rng, distractor_rng = scene.generators()
    painter = make(scene.background, dict(scene.options))
    clean = painter.paint(scene.shape, ground_rng)
    width_mm, height_mm = filter_size_mm(scene.camera, scene.optics)
    particles = scene.population.scatter(width_mm, height_mm, dust_rng)
    distractors = scene.distractors.scatter(scene.shape, scene.optics, distractor_rng)
    casts = cast_all([Placed(*each) for each in enumerate(particles)], scene.optics, scene.shape)
    frame = exposed(scene, clean, casts, rng=camera_rng, distractors=distractors)
    if measured:
        frame = _with_grounds(frame, casts, rng=camera_rng)
    again = scene.generators()[0]
    if isinstance(painter, PhotographFolder):
        return replace(frame, ignored=painter.ignored(scene.shape, again))
    if isinstance(painter, Screen):
        return replace(frame, distractors=(*distractors, *screen_marks(painter, scene.shape, again)))
    return frame


def filter_size_mm(camera: Camera, optics: Optics) -> tuple[float, float]:
    """Return width and height of the part of the filter over the frame."""
    pitch_mm = optics.pixel_um / 1000.0
    return camera.width_px * pitch_mm, camera.height_px * pitch_mm


def expose(
    scene: Scene,
    clean: NDArray[np.float32],
    filter_: Iterable[Placed],
    *,
    rng: np.random.Generator,
    distractors: Sequence[Distractor] = (),
) -> Frame:
    """Return the labelled frame of clean light seen through a dusty filter.

    Light first: (ground, then what flies or hangs before it) × shadows, hot photosites, then noise, transfer
    function, quantisation and JPEG.

    Parameters
    ----------
    scene
        Optics and camera; its own background, population and seed are only kept as a record.
    clean
        Linear radiance, float32 (height, width, 3). Distractors of the scene are drawn into it; it becomes
        read-only.
    filter_
        What lies on it.
    rng
        For the camera's noise.
    """
    casts = cast_all(filter_, scene.optics, scene.shape)
    return _with_grounds(exposed(scene, clean, casts, rng=rng, distractors=distractors), casts, rng=rng)


def exposed(
    scene: Scene,
    clean: NDArray[np.float32],
    casts: Sequence[Cast],
    *,
    rng: np.random.Generator,
    distractors: Sequence[Distractor],
) -> Frame:
    """Return the frame with labels that don't tell what the ground under each shadow is."""
    for thing in distractors:
        if not thing.on_raw:
            thing.draw(clean)
    hot = _hot(distractors, mosaic=scene.camera.demosaic != "none")
    with shaded(clean, casts, hot):
        pixels = scene.camera.expose(clean, rng)
    truth = Truth.of(casts, [(np.nan, np.nan)] * len(casts), scene.optics)
    pixels.flags.writeable = False
    clean.flags.writeable = False
    lines = footprint(casts, scene.shape)
    return Frame(scene=scene, pixels=pixels, truth=truth, clean=clean, footprint=lines, distractors=tuple(distractors))


def _with_grounds(frame: Frame, casts: Sequence[Cast], *, rng: np.random.Generator) -> Frame:
    grounds = [_ground(frame.scene, frame.clean, each.shadow, rng) for each in casts]
    return replace(frame, truth=frame.truth.on(grounds))


def _hot(distractors: Sequence[Distractor], *, mosaic: bool) -> list[Distractor]:
    """Return the hot photosites, each in all colours under a mosaic, which keeps one of them."""
    return [
        replace(thing, channel=channel)
        for thing in distractors
        if thing.on_raw
        for channel in (range(3) if mosaic else (thing.channel,))
    ]


def _ground(scene: Scene, clean: NDArray[np.float32], shadow: Shadow, rng: np.random.Generator) -> tuple[float, float]:
    """Return d′ on the clean ground around a shadow, as the camera records it, and its luminance."""
    template = np.log(np.maximum(1.0 - shadow.depth, _FLOOR))
    side = tile_side(template.shape)
    reach = NEIGHBOURHOOD * side
    rows = _around(shadow.row, reach, clean.shape[0])
    columns = _around(shadow.column, reach, clean.shape[1])
    window = clean[rows, columns]
    frame, _ = overlap((clean.shape[0], clean.shape[1]), shadow)
    luminance = float((np.minimum(clean[frame], 1) @ LUMINANCE.astype(np.float32)).mean())  # what saturates is white
    side = min(side, *window.shape[:2])
    camera = replace(scene.camera, jpeg_quality=None)
    recorded = decode(camera.expose(window, rng, origin=(rows.start, columns.start)), camera.encoding)
    ground = np.log(np.maximum(recorded @ LUMINANCE, _FLOOR))
    kept = template[tuple(_middle(length, side) for length in template.shape)]
    return detectability(kept, ground_spectrum(ground, side), side), luminance


def _middle(length: int, side: int) -> slice:
    """Return the slice about the middle of an odd length that fits into a tile's side."""
    cut = min(length // 2, (side - 1) // 2)
    return slice(length // 2 - cut, length // 2 + cut + 1)


def _around(middle: int, reach: int, length: int) -> slice:
    """Return a slice of `reach` about `middle`, pushed inside 0…length."""
    low = max(0, min(middle - reach // 2, length - reach))
    return slice(low, min(length, low + reach))
