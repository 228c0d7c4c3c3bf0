"""The camera: light in, file codes out."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .transfer import ENCODINGS, encode

FloatArray = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Camera:
    """A sensor and its file format.

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

    def __post_init__(self) -> None:
        if self.width_px < 1 or self.height_px < 1:
            raise ValueError(f"Camera needs a frame of at least 1×1, not {self.width_px}×{self.height_px}")
        if self.full_well_e <= 0 or self.read_noise_e < 0 or self.iso <= 0:
            raise ValueError("Camera needs full_well_e > 0, read_noise_e ≥ 0 and iso > 0")
        if not 4 <= self.adc_bits <= 16:
            raise ValueError(f"Camera.adc_bits must be 4 to 16, not {self.adc_bits}")
        if self.bits not in (8, 16):
            raise ValueError(f"Camera.bits must be 8 or 16, not {self.bits}")
        if self.encoding not in ENCODINGS:
            raise ValueError(f"Camera.encoding must be one of {', '.join(ENCODINGS)}, not {self.encoding!r}")
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
        return float((1 << self.adc_bits) - 1) / self.saturation_e

    def raw(self, linear: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Return converter codes, float32 holding integers, of linear light (any shape, 1.0 saturates).

        EMVA 1288's linear model: σ² = K²σ_d² + 1/12 + K(μ − μ_dark), in DN² (from memory). Shot noise is
        drawn as a normal of the Poisson's variance: their difference drowns in the read noise below
        ten electrons and is nil above. The dark level is 0, and light below it stays negative.
        """
        electrons = np.clip(linear, 0.0, None) * np.float32(self.saturation_e)
        noise = rng.standard_normal(electrons.shape, dtype=np.float32)
        noise *= np.sqrt(electrons + np.float32(self.read_noise_e**2))
        noise += electrons
        noise *= np.float32(self.gain)
        top = np.float32((1 << self.adc_bits) - 1)
        return np.asarray(np.minimum(np.rint(noise, out=noise), top, out=noise))

    def develop(self, raw: FloatArray) -> NDArray[Any]:
        """Return file codes, uint8 or uint16, of converter codes (height, width, 3)."""
        linear = raw / np.float32((1 << self.adc_bits) - 1)
        pixels = encode(linear, bits=self.bits, encoding=self.encoding)
        return pixels if self.jpeg_quality is None else through_jpeg(pixels, self.jpeg_quality)

    def expose(self, linear: FloatArray, rng: np.random.Generator) -> NDArray[Any]:
        """Return the file's pixels of linear radiance (height, width, 3)."""
        return self.develop(self.raw(linear, rng))


def through_jpeg(pixels: NDArray[np.uint8], quality: int) -> NDArray[np.uint8]:
    """Return what a JPEG of that quality keeps of 8-bit RGB pixels, chroma at half size (4:2:0)."""
    from PIL import Image  # only JPEG needs it

    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=quality, subsampling="4:2:0")
    buffer.seek(0)
    with Image.open(buffer) as picture:
        return np.array(picture.convert("RGB"))
