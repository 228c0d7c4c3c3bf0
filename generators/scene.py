"""A scene, written down to the last number, and the labelled frame it renders to."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .backgrounds import make
from .camera import Camera
from .detectability import NEIGHBOURHOOD, detectability, ground_spectrum, tile_side
from .optics import Optics
from .particles import Population
from .shadow import LUMINANCE, Shadow, cast
from .transfer import decode

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
        What it is taken with and what lies on the filter.
    seed
        Words for `numpy.random.SeedSequence`; the first tells the namespace.
    block
        Scenes that share a source (crops of one photograph) share a block: statistics resample blocks.
    source
        Digest of a file that the background reads, or "".
    """

    name: str
    background: str
    optics: Optics = field(default_factory=Optics)
    camera: Camera = field(default_factory=Camera)
    population: Population = field(default_factory=Population)
    options: tuple[tuple[str, Any], ...] = ()
    seed: tuple[int, ...] = (0,)
    block: str = ""
    source: str = ""

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
            population=Population(**raw["population"]),
            options=tuple((key, value) for key, value in raw["options"]),
            seed=tuple(raw["seed"]),
            block=raw["block"],
            source=raw["source"],
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
        """Return three independent generators: for the ground, the dust, the camera."""
        return tuple(np.random.default_rng(child) for child in np.random.SeedSequence(self.seed).spawn(3))


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
class Truth:
    """What lies in a frame, one entry a grain whose centre is inside it.

    Attributes
    ----------
    x, y
        Centre in pixels; (0, 0) is the centre of the first pixel.
    diameter_um
        Grain diameter.
    depth
        Peak 1 − T in luminance.
    fwhm_px
        Full width at half depth.
    loss_px2
        ∫(1 − T) in pixel areas.
    detectability
        d′ of the observer that knows shape, place and the local spectrum of ground and noise.
    luminance
        Mean linear luminance of the clean ground under the shadow.
    """

    x: FloatArray
    y: FloatArray
    diameter_um: FloatArray
    depth: FloatArray
    fwhm_px: FloatArray
    loss_px2: FloatArray
    detectability: FloatArray
    luminance: FloatArray

    def __len__(self) -> int:
        return len(self.x)


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
    """

    scene: Scene
    pixels: NDArray[Any]
    truth: Truth
    clean: NDArray[np.float32]

    @property
    def digest(self) -> str:
        """Sixteen hex digits that name the pixels."""
        return hashlib.sha256(np.ascontiguousarray(self.pixels).tobytes()).hexdigest()[:16]


def render(scene: Scene) -> Frame:
    """Return the labelled frame of a scene.

    Light first: ground × shadows, then noise, transfer function, quantisation and JPEG.
    """
    ground_rng, dust_rng, camera_rng = scene.generators()
    clean = make(scene.background, dict(scene.options)).paint(scene.shape, ground_rng)
    shadows, sizes = _shadows(scene, dust_rng)
    dusty = clean.copy()
    for shadow in shadows:
        shade(dusty, shadow)
    pixels = scene.camera.expose(dusty, camera_rng)
    truth = _truth(scene, clean, shadows, sizes, camera_rng)
    pixels.flags.writeable = False
    clean.flags.writeable = False
    return Frame(scene=scene, pixels=pixels, truth=truth, clean=clean)


def _shadows(scene: Scene, rng: np.random.Generator) -> tuple[list[Shadow], list[float]]:
    """Return the shadows whose centres fall inside the frame, and their grains' diameters in µm."""
    height, width = scene.shape
    pitch_mm = scene.optics.pixel_um / 1000.0
    scale = scene.optics.magnification / pitch_mm
    shadows, sizes = [], []
    for grain in scene.population.scatter(width * pitch_mm, height * pitch_mm, rng):
        x = grain.x_mm * scale + (width - 1) / 2
        y = grain.y_mm * scale + (height - 1) / 2
        if -0.5 <= x < width - 0.5 and -0.5 <= y < height - 0.5:
            shadows.append(cast(grain.diameter_um, scene.optics, x=x, y=y))
            sizes.append(grain.diameter_um)
    return shadows, sizes


def _overlap(shape: tuple[int, int], shadow: Shadow) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Return the frame's and the stamp's slices where the two overlap."""
    half = shadow.transmission.shape[-1] // 2
    frame, stamp = [], []
    for length, middle in zip(shape, (shadow.row, shadow.column), strict=True):
        low, high = max(0, middle - half), min(length, middle + half + 1)
        frame.append(slice(low, high))
        stamp.append(slice(low - middle + half, high - middle + half))
    return (frame[0], frame[1]), (stamp[0], stamp[1])


def shade(linear: NDArray[np.float32], shadow: Shadow) -> None:
    """Multiply linear light (height, width, 3) by a shadow, in place."""
    frame, stamp = _overlap((linear.shape[0], linear.shape[1]), shadow)
    linear[frame] *= np.moveaxis(shadow.transmission[(slice(None), *stamp)], 0, -1).astype(np.float32)


def _truth(
    scene: Scene,
    clean: NDArray[np.float32],
    shadows: list[Shadow],
    sizes: list[float],
    rng: np.random.Generator,
) -> Truth:
    grounds = [_ground(scene, clean, shadow, rng) for shadow in shadows]
    return Truth(
        x=_column(shadow.x for shadow in shadows),
        y=_column(shadow.y for shadow in shadows),
        diameter_um=_column(sizes),
        depth=_column(shadow.peak_depth for shadow in shadows),
        fwhm_px=_column(shadow.fwhm_px for shadow in shadows),
        loss_px2=_column(shadow.loss_px2 for shadow in shadows),
        detectability=_column(ground[0] for ground in grounds),
        luminance=_column(ground[1] for ground in grounds),
    )


def _column(values: Any) -> FloatArray:
    column = np.array(list(values), dtype=float)
    column.flags.writeable = False
    return column


def _ground(scene: Scene, clean: NDArray[np.float32], shadow: Shadow, rng: np.random.Generator) -> tuple[float, float]:
    """Return d′ on the clean ground around a shadow, as the camera records it, and its luminance."""
    template = np.log(np.maximum(1.0 - shadow.depth, _FLOOR))
    side = tile_side(template.shape)
    reach = NEIGHBOURHOOD * side
    rows = _around(shadow.row, reach, clean.shape[0])
    columns = _around(shadow.column, reach, clean.shape[1])
    window = clean[rows, columns]
    frame, _ = _overlap((clean.shape[0], clean.shape[1]), shadow)
    luminance = float((clean[frame] @ LUMINANCE.astype(np.float32)).mean())
    side = min(side, *window.shape[:2])
    camera = replace(scene.camera, jpeg_quality=None)
    recorded = decode(camera.expose(window, rng), camera.encoding)
    ground = np.log(np.maximum(recorded @ LUMINANCE, _FLOOR))
    middle = template.shape[0] // 2
    cut = min(middle, (side - 1) // 2)
    kept = template[middle - cut : middle + cut + 1, middle - cut : middle + cut + 1]
    return detectability(kept, ground_spectrum(ground, side), side), luminance


def _around(middle: int, reach: int, length: int) -> slice:
    """Return a slice of `reach` about `middle`, pushed inside 0…length."""
    low = max(0, min(middle - reach // 2, length - reach))
    return slice(low, min(length, low + reach))
