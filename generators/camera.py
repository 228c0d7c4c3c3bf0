"""The camera: light in, file codes out."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .finishing import halo_rows, reduce_noise, sharpen
from .jpeg import CHROMA, through_jpeg
from .lens_shading import lens_shading
from .mosaic import METHODS, demosaic, mosaic
from .normals import Normals
from .transfer import ENCODINGS, encode, srgb_encode

FloatArray = NDArray[np.float32]

STRIP_ROWS = 16
"""Rows are exposed in multiples of this: even for the mosaic's sake, and a multiple of four, so that random numbers
come out as if all rows were exposed at once."""

STRIP_PX = 96_000
"""Pixels exposed at a time, unless one strip has more: what is between light and code stays in the cache."""

FINISHED_ROWS = 128
"""Rows finished at a time, even for the sake of colour at half size; a halo is added to each side."""

_BLACK, _SPAN = 4096, 60_000
"""Codes of no light and of saturation on the way from the mosaic to the file: sixteen bits that leave room
for the noise below black and that are finer than any 14-bit converter."""

MIDDLE_GREY = 0.18
"""Linear light of the usual grey card."""


@dataclass(frozen=True, slots=True)
class Camera:
    """A sensor, what the camera does to its picture, and the file's format.

    Attributes
    ----------
    width_px, height_px
        Size of the frame.
    full_well_e
        Electrons at saturation at base sensitivity (ISO 100).
    read_noise_e
        Standard deviation of the noise without light, in electrons.
    adc_bits
        Bits of the converter.
    iso
        Sensitivity; saturation falls as 100/ISO.
    bits
        8 or 16, of the file.
    encoding
        ``"srgb"`` or ``"linear"``.
    jpeg_quality
        None leaves the pixels uncompressed; 1–95 passes them through JPEG (8 bit, sRGB only).
    jpeg_chroma
        ``"4:4:4"``, ``"4:2:2"`` or ``"4:2:0"``: the size of the JPEG's colour.
    demosaic
        ``"none"``: each pixel sees all three colours. ``"bilinear"`` or ``"edge-aware"``: one colour a
        photosite, the others filled in.
    red_gain, blue_gain
        White balance: the sensor sees red and blue this much weaker than green, and the camera multiplies
        them, and their noise, back. At least 1.
    falloff
        Share of the light that the lens loses in the corner, 0 up to below 1.
    falloff_corrected
        Whether the camera multiplies the corners back up, and their noise.
    noise_reduction
        Width of the bilateral filter's weights in units of the noise at middle grey; 0 is off, 3 is strong.
        sRGB only.
    sharpening, sharpening_px
        Amount and radius (standard deviation in pixels) of the unsharp mask; amount 0 is off. sRGB only.
    """

    width_px: int = 1536
    height_px: int = 1024
    full_well_e: float = 50_000.0
    read_noise_e: float = 3.0
    adc_bits: int = 14
    iso: float = 100.0
    bits: int = 8
    encoding: str = "srgb"
    jpeg_quality: int | None = None
    jpeg_chroma: str = "4:2:0"
    demosaic: str = "none"
    red_gain: float = 1.0
    blue_gain: float = 1.0
    falloff: float = 0.0
    falloff_corrected: bool = False
    noise_reduction: float = 0.0
    sharpening: float = 0.0
    sharpening_px: float = 1.0

    def __post_init__(self) -> None:
        self._check_sensor()
        self._check_processing()
        self._check_file()

    def _check_sensor(self) -> None:
        if self.width_px < 1 or self.height_px < 1:
            raise ValueError(f"Camera needs a frame of at least 1×1, not {self.width_px}×{self.height_px}")
        if self.full_well_e <= 0 or self.read_noise_e < 0 or self.iso <= 0:
            raise ValueError("Camera needs full_well_e > 0, read_noise_e ≥ 0 and iso > 0")
        if not 4 <= self.adc_bits <= 16:
            raise ValueError(f"Camera.adc_bits must be 4 to 16, not {self.adc_bits}")
        if not 0 <= self.falloff < 1:
            raise ValueError(f"Camera.falloff must be at least 0 and below 1, not {self.falloff}")

    def _check_processing(self) -> None:
        if self.demosaic not in ("none", *METHODS):
            raise ValueError(f"Camera.demosaic must be one of none, {', '.join(METHODS)}, not {self.demosaic!r}")
        for name in ("red_gain", "blue_gain"):
            if not 1 <= getattr(self, name) < math.inf:
                raise ValueError(f"Camera.{name} must be a number of at least 1, not {getattr(self, name)}")
        for name in ("noise_reduction", "sharpening"):
            if not 0 <= getattr(self, name) <= 10:
                raise ValueError(f"Camera.{name} must be 0 to 10, not {getattr(self, name)}")
        if not 0.3 <= self.sharpening_px <= 10:
            raise ValueError(f"Camera.sharpening_px must be 0.3 to 10, not {self.sharpening_px}")
        if self.encoding != "srgb" and (self.noise_reduction or self.sharpening):
            raise ValueError("Camera.noise_reduction and sharpening need encoding = 'srgb'")

    def _check_file(self) -> None:
        if self.bits not in (8, 16):
            raise ValueError(f"Camera.bits must be 8 or 16, not {self.bits}")
        if self.encoding not in ENCODINGS:
            raise ValueError(f"Camera.encoding must be one of {', '.join(ENCODINGS)}, not {self.encoding!r}")
        if self.jpeg_chroma not in CHROMA:
            raise ValueError(f"Camera.jpeg_chroma must be one of {', '.join(CHROMA)}, not {self.jpeg_chroma!r}")
        if self.jpeg_quality is not None:
            if not 1 <= self.jpeg_quality <= 95:
                raise ValueError(f"Camera.jpeg_quality must be 1 to 95, not {self.jpeg_quality}")
            if self.bits != 8 or self.encoding != "srgb":
                raise ValueError("Camera.jpeg_quality needs bits = 8 and encoding = 'srgb'")

    @property
    def saturation_e(self) -> float:
        """Electrons at which the file saturates."""
        return self.full_well_e * 100.0 / self.iso

    @property
    def gain(self) -> float:
        """K, converter codes (DN) an electron."""
        return float(self.top) / self.saturation_e

    @property
    def top(self) -> int:
        """The converter's last code."""
        return (1 << self.adc_bits) - 1

    @property
    def grey_noise(self) -> float:
        """Standard deviation of one colour at middle grey, before any processing, in sRGB values of 0…1.

        The sRGB curve is so near a square root that shot noise is about the same at other levels.
        """
        electrons = MIDDLE_GREY * self.saturation_e
        slope: float = 1.055 / 2.4 * MIDDLE_GREY ** (1 / 2.4 - 1)  # of the curve of IEC 61966-2-1
        return slope * math.sqrt(electrons + self.read_noise_e**2) / self.saturation_e

    def raw(self, linear: FloatArray, noise: Normals) -> FloatArray:
        """Return converter codes, float32 holding integers, of linear light (any shape, 1.0 saturates).

        EMVA 1288's linear model: σ² = K²σ_d² + 1/12 + K(μ − μ_dark), in DN² (from memory). Shot noise is
        drawn as a normal of the Poisson's variance: their difference drowns in the read noise below
        ten electrons and is nil above. The dark level is 0, and light below it stays negative.
        """
        signal = np.maximum(linear, np.float32(0))
        signal *= np.float32(self.top)
        spread = signal * np.float32(self.gain)
        spread += np.float32((self.gain * self.read_noise_e) ** 2)
        np.sqrt(spread, out=spread)
        codes = noise.draw(linear.shape)
        codes *= spread
        codes += signal
        return np.asarray(np.minimum(np.rint(codes, out=codes), np.float32(self.top), out=codes))

    def expose(self, linear: FloatArray, rng: np.random.Generator, *, origin: tuple[int, int] = (0, 0)) -> NDArray[Any]:
        """Return the file's pixels, uint8 or uint16, of linear radiance (height, width, 3).

        Lens, photosites, noise, converter; shading correction, white balance, mosaic filled in; transfer
        function, noise reduction, sharpening, JPEG. Noise is drawn row by row, so the size of the strips
        that this is done in does not show in it.

        Parameters
        ----------
        origin
            Row and column in the frame of the first pixel of `linear`, where it is a part of the frame: the
            lens's falloff depends on the place. The mosaic begins anew.
        """
        develop = self._plain if self._is_plain else self._processed
        if self.jpeg_quality is None:
            return develop(linear, rng, origin)
        return through_jpeg(develop(linear, rng, origin), self.jpeg_quality, chroma=self.jpeg_chroma)

    @property
    def _is_plain(self) -> bool:
        """Whether a converter code becomes a file code by itself, without its place or neighbours."""
        changed = self.demosaic != "none" or self.falloff_corrected or self.noise_reduction or self.sharpening
        return not changed and self.red_gain == self.blue_gain == 1

    def _plain(self, linear: FloatArray, rng: np.random.Generator, origin: tuple[int, int]) -> NDArray[Any]:
        table, noise = _codes(0, self.top, self.top, self.bits, self.encoding), Normals(rng)
        pixels = np.empty(linear.shape, dtype=table.dtype)
        for rows in _strips(linear):
            light = linear[rows] if self.falloff == 0 else linear[rows] * self._shading(linear, rows, origin)
            raw = self.raw(light, noise)
            # Places of numpy's own kind need not be converted; those below black are clipped to 0.
            np.take(table, raw.astype(np.intp), out=pixels[rows], mode="clip")
        return pixels

    def _shading(self, linear: FloatArray, rows: slice, origin: tuple[int, int]) -> FloatArray:
        first, left = rows.start + origin[0], origin[1]
        last = min(rows.stop, linear.shape[0]) + origin[0]
        size = (self.height_px, self.width_px)
        return lens_shading(size, self.falloff, rows=(first, last), columns=(left, left + linear.shape[1]))

    def _processed(self, linear: FloatArray, rng: np.random.Generator, origin: tuple[int, int]) -> NDArray[Any]:
        flat, noise = self.demosaic != "none", Normals(rng)
        codes = np.empty(linear.shape[:2] if flat else linear.shape, dtype=np.uint16)
        for rows in _strips(linear):
            codes[rows] = self._balanced(linear[rows], noise, shading=self._shading(linear, rows, origin))
        if flat:
            codes = demosaic(codes, self.demosaic)
        return self._finished(codes)

    def _balanced(self, light: FloatArray, noise: Normals, *, shading: FloatArray) -> NDArray[np.uint16]:
        """Return sixteen-bit codes of a strip after white balance and shading correction."""
        gains = np.array([self.red_gain, 1.0, self.blue_gain], dtype=np.float32)
        seen, restored = light * (shading / gains), np.broadcast_to(gains, light.shape)
        if self.falloff_corrected:
            restored = gains / shading
        if self.demosaic != "none":
            seen, restored = mosaic(seen), mosaic(restored)
        raw = self.raw(seen, noise)
        raw *= restored
        raw *= np.float32(_SPAN / self.top)
        raw += np.float32(_BLACK)
        return np.clip(np.rint(raw, out=raw), 0, 65_535, out=raw).astype(np.uint16)

    def _finished(self, codes: NDArray[np.uint16]) -> NDArray[Any]:
        """Return the file's pixels of sixteen-bit codes (height, width, 3), which are used up."""
        alone = not self.noise_reduction and not self.sharpening
        kind = np.uint8 if self.bits == 8 else np.uint16
        # Without neighbours to look at, a large frame of sixteen bits is changed in place.
        pixels = codes if alone and self.bits == 16 else np.empty(codes.shape, dtype=kind)
        for top in range(0, len(codes), FINISHED_ROWS):
            rows = slice(top, top + FINISHED_ROWS)
            pixels[rows] = self._coded(codes[rows]) if alone else self._neighbourly(codes, rows)
        return pixels

    def _coded(self, codes: NDArray[np.uint16]) -> NDArray[Any]:
        return np.take(_codes(_BLACK, _SPAN, 65_535, self.bits, self.encoding), codes)

    def _neighbourly(self, codes: NDArray[np.uint16], rows: slice) -> NDArray[Any]:
        halo = halo_rows(self.sharpening_px)
        first = max(0, rows.start - halo)
        picture = np.take(_srgb_values(), codes[first : rows.stop + halo])
        return self._touched(picture)[rows.start - first :][: rows.stop - rows.start]

    def _touched(self, picture: FloatArray) -> NDArray[Any]:
        if self.noise_reduction:
            picture = reduce_noise(picture, self.noise_reduction * self.grey_noise)
        if self.sharpening:
            picture = sharpen(picture, self.sharpening, radius_px=self.sharpening_px)
        last = (1 << self.bits) - 1
        values = np.clip(picture, 0.0, 1.0) * np.float32(last)
        return np.asarray(np.rint(values).astype(np.uint8 if self.bits == 8 else np.uint16))


def _strips(linear: FloatArray) -> Iterator[slice]:
    """Return the rows that are exposed together."""
    step = STRIP_ROWS * max(1, STRIP_PX // (linear.shape[1] * STRIP_ROWS))
    return (slice(top, top + step) for top in range(0, linear.shape[0], step))


@lru_cache(maxsize=8)
def _codes(black: int, span: int, top: int, bits: int, encoding: str) -> NDArray[Any]:
    """Return the file code of each code 0…`top`, where `black` is no light and `black` + `span` saturates."""
    light = (np.arange(top + 1, dtype=np.float32) - np.float32(black)) / np.float32(span)
    table = encode(light, bits=bits, encoding=encoding)
    table.flags.writeable = False
    return table


@lru_cache(maxsize=1)
def _srgb_values() -> FloatArray:
    """Return the sRGB value in 0…1 of each sixteen-bit code."""
    table = srgb_encode((np.arange(65_536) - _BLACK) / _SPAN).astype(np.float32)
    table.flags.writeable = False
    return table
