"""The one reader of picture files: pixels as displayed, and what the file says about the camera."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .exif import Body, Exif, exif_of_pillow, exif_of_tiff
from .orientation import FloatArray, stored_size, to_displayed, to_stored, turned

if TYPE_CHECKING:
    from PIL.Image import Image

Pixels = NDArray[Any]

PICTURE_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")
"""Endings of the files that `list_pictures` lists, in lower case."""

MASK_ENDING = ".mask.png"
"""A file whose name ends so belongs to the picture beside it."""

LARGEST_PIXELS = 178_956_970
"""Larger pictures are refused. Pillow stops there too: twice 2³⁰/4/3. Cameras of 151 megapixels pass."""

TIFF_SIGNATURES = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"


class PictureError(ValueError):
    """A file can't be used as a picture; the message names the file and says why in one sentence."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture file, read.

    Attributes
    ----------
    path
        Where it was read from.
    pixels
        Array (height, width, 3), uint8 or uint16, red, green, blue, turned as it is displayed. Read-only.
    f_number, focal_mm, iso
        As EXIF says, or None.
    pixel_um
        Pitch of the photosites in µm from EXIF, or None where unknown; see `Exif.pixel_um`.
    icc_profile
        The colour profile embedded in the file, or None.
    orientation
        1…8, how the stored picture was turned for display (EXIF). A program that turned the pixels
        themselves has put 1 here, and where they lay on the sensor is lost.
    encoding
        ``"srgb"``, or ``"linear"`` of a raw file.
    body
        Which camera it was, as far as EXIF says.
    taken
        When, by the camera's clock, or None.
    """

    path: Path
    pixels: Pixels
    f_number: float | None = None
    focal_mm: float | None = None
    iso: float | None = None
    pixel_um: float | None = None
    icc_profile: bytes | None = None
    orientation: int = 1
    encoding: str = "srgb"
    body: Body = field(default_factory=Body)
    taken: datetime | None = None

    @property
    def width(self) -> int:
        """Width in pixels, as displayed."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Height in pixels, as displayed."""
        return int(self.pixels.shape[0])

    @property
    def sensor_size(self) -> tuple[int, int]:
        """Width and height as stored, which is as the sensor lay."""
        return stored_size((self.width, self.height), self.orientation)

    def without_pixels(self) -> Picture:
        """Return what is known of it beside the pixels, which are all 0 and take no memory."""
        return replace(self, pixels=np.broadcast_to(np.zeros(1, self.pixels.dtype), self.pixels.shape))

    def to_sensor(self, x: Any, y: Any) -> tuple[FloatArray, FloatArray]:
        """Return where displayed places, in pixels, lie in the picture as stored."""
        return to_stored(x, y, size=(self.width, self.height), orientation=self.orientation)

    def from_sensor(self, x: Any, y: Any) -> tuple[FloatArray, FloatArray]:
        """Return where places in the picture as stored are displayed, in pixels."""
        return to_displayed(x, y, size=(self.width, self.height), orientation=self.orientation)


def list_pictures(folder: str | Path) -> list[Path]:
    """Return the picture files in a folder (not in folders inside it), sorted by name; masks are no pictures.

    Raises
    ------
    FileNotFoundError
        If the folder doesn't exist.
    NotADirectoryError
        If it is a file.
    """
    folder = Path(folder)
    if not folder.exists():
        raise FileNotFoundError(f"there is no folder {folder}")
    if not folder.is_dir():
        raise NotADirectoryError(f"{folder} is not a folder")
    # Names beginning with a dot are the leftovers that some systems put beside every file.
    found = (p for p in folder.iterdir() if p.suffix.lower() in PICTURE_SUFFIXES and p.name[0] != ".")
    found = (p for p in found if not p.name.lower().endswith(MASK_ENDING))
    return sorted((p for p in found if p.is_file()), key=lambda p: p.name)


def read_picture(path: str | Path) -> Picture:
    """Read a JPEG, PNG, TIFF or HEIC file.

    Sixteen-bit PNG and TIFF stay sixteen bits, HEIC of ten or twelve becomes sixteen. Grey becomes three equal bands,
    transparency is dropped, of several pages the first is taken, and EXIF orientation is applied. What a
    file is, is told by its first bytes and not by its name.

    Raises
    ------
    PictureError
        If the file is missing, empty, cut short, no picture, too large, or of a kind whose numbers aren't
        8- or 16-bit grey or RGB (raw, floating point, CMYK).
    """
    path = Path(path)
    head = _first_bytes(path)
    read = _reader(head)
    try:
        with quiet():
            return _picture(path, *read(path))
    except PictureError:
        raise
    except Exception as error:  # decoders raise whatever they like on a broken file
        raise PictureError(f"{path} can't be decoded, it is cut short, damaged or no picture: {error}") from error


def read_exif(path: str | Path) -> Exif:
    """Return what a picture file says about the camera, without decoding its pixels.

    Raises
    ------
    PictureError
        As `read_picture`, as far as the head of the file shows it.
    """
    path = Path(path)
    is_tiff = _first_bytes(path)[:4] in TIFF_SIGNATURES
    try:
        with quiet():
            return _exif_of_tiff_file(path) if is_tiff else _exif_of_pillow_file(path)
    except PictureError:
        raise
    except Exception as error:  # as in read_picture
        raise PictureError(f"{path} can't be read, it is cut short, damaged or no picture: {error}") from error


def _exif_of_pillow_file(path: Path) -> Exif:
    with _open_pillow(path) as image:
        return exif_of_pillow(image)


def _exif_of_tiff_file(path: Path) -> Exif:
    import tifffile

    with tifffile.TiffFile(path) as tiff:
        return exif_of_tiff(tiff.pages.first)


@contextmanager
def quiet() -> Iterator[None]:
    """Keep back the decoders' warnings and log lines.

    Odd metadata is no reason to trouble whoever asked for pixels; what stops the reading, a sentence of ours tells.
    """
    log = logging.getLogger("tifffile")
    log.addFilter(_nothing)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        log.removeFilter(_nothing)


def _nothing(_: logging.LogRecord) -> bool:
    return False


def _first_bytes(path: Path) -> bytes:
    if not path.exists():
        raise PictureError(f"there is no file {path}")
    if path.is_dir():
        raise PictureError(f"{path} is a folder, not a picture")
    try:
        with path.open("rb") as file:
            head = file.read(32)
    except OSError as error:
        raise PictureError(f"{path} can't be opened: {error.strerror}") from error
    if not head:
        raise PictureError(f"{path} is empty (0 bytes)")
    return head


def _reader(head: bytes) -> Callable[[Path], tuple[Pixels, Exif]]:
    if head[:4] in TIFF_SIGNATURES:
        return _read_tiff
    if head[:8] == PNG_SIGNATURE and head[24:25] == b"\x10":  # bit depth in the header chunk (PNG, 11.2.2)
        return _read_png16
    return _read_pillow


def _picture(path: Path, pixels: Pixels, exif: Exif) -> Picture:
    # HEIC comes turned already; EXIF's sizes are those of the picture as stored.
    stored_w, stored_h = stored_size((pixels.shape[1], pixels.shape[0]), exif.applied)
    pixels = np.ascontiguousarray(turned(_three_channels(pixels), exif.orientation))
    pixels.flags.writeable = False
    return Picture(
        path=path,
        pixels=pixels,
        f_number=exif.f_number,
        focal_mm=exif.focal_mm,
        iso=exif.iso,
        pixel_um=exif.pixel_um(stored_w, stored_h),
        icc_profile=exif.icc_profile,
        orientation=exif.orientation if exif.orientation != 1 else exif.applied,
        body=exif.body,
        taken=exif.taken,
    )


def _three_channels(pixels: Pixels) -> Pixels:
    """Return (h, w, 3) of grey, grey with alpha, RGB or RGB with alpha; alpha is dropped, not blended."""
    if pixels.ndim == 2:
        pixels = pixels[:, :, None]
    if pixels.shape[2] < 3:
        return np.repeat(pixels[:, :, :1], 3, axis=2)
    return pixels[:, :, :3]


def _check_size(path: Path, width: int, height: int) -> None:
    if width * height > LARGEST_PIXELS:
        raise PictureError(f"{path} claims {width}×{height} pixels, more than the {LARGEST_PIXELS} that are read")


def _open_pillow(path: Path) -> Image:
    import PIL.Image
    from pillow_heif import register_heif_opener

    register_heif_opener()
    try:
        image = PIL.Image.open(path, formats=("JPEG", "PNG", "HEIF"))
    except PIL.UnidentifiedImageError as error:
        raise PictureError(f"{path} is not a picture in JPEG, PNG, TIFF or HEIC") from error
    except PIL.Image.DecompressionBombError as error:
        raise PictureError(f"{path} claims more than the {LARGEST_PIXELS} pixels that are read") from error
    _check_size(path, *image.size)
    return image


def _read_pillow(path: Path) -> tuple[Pixels, Exif]:
    with _open_pillow(path) as image:
        image.load()
        exif = exif_of_pillow(image)
        bits = image.info.get("bit_depth")
        if image.format == "HEIF" and isinstance(bits, int) and bits > 8:
            return _read_deep_heic(path, bits), exif
        if image.mode in ("P", "PA"):  # by way of RGBA: a palette with transparency has no direct way
            return np.asarray(image.convert("RGBA").convert("RGB")), exif
        if image.mode not in ("1", "L", "LA", "RGB", "RGBA"):
            raise PictureError(f"{path} is {image.mode}, not grey or RGB; convert it to RGB first")
        return np.asarray(image.convert("RGB")), exif


def _read_deep_heic(path: Path, bits: int) -> Pixels:
    """Read HEIC of more than eight bits, which Pillow reduces to eight without a word, as sixteen."""
    import pillow_heif

    shifted = np.asarray(pillow_heif.open_heif(path, convert_hdr_to_8bit=False))
    codes = (shifted >> (16 - bits)).astype(np.float32)
    return np.asarray(np.rint(codes * (65_535 / ((1 << bits) - 1))).astype(np.uint16))


def _read_png16(path: Path) -> tuple[Pixels, Exif]:
    """Read with libpng itself: Pillow reduces 16-bit RGB to 8 bits without a word."""
    import imagecodecs

    with _open_pillow(path) as image:
        exif = exif_of_pillow(image)
    return np.asarray(imagecodecs.png_decode(path.read_bytes())), exif


def _read_tiff(path: Path) -> tuple[Pixels, Exif]:
    import tifffile

    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages.first
        _check_tiff(path, page)
        pixels = page.asarray()
        if page.axes.startswith("S"):  # planes one after the other
            pixels = np.moveaxis(pixels, 0, 2)
        if pixels.shape[:2] != (page.imagelength, page.imagewidth) or pixels.size == 0:
            raise PictureError(f"{path} is damaged: its pixels aren't of the size that it claims")
        return pixels, exif_of_tiff(page)


def _check_tiff(path: Path, page: Any) -> None:
    """Refuse what would decode to something other than the picture."""
    kind = page.photometric.name if page.photometric is not None else "unknown"
    if kind in ("CFA", "LINEAR_RAW") or "DNGVersion" in page.tags or path.suffix.lower() not in (".tif", ".tiff"):
        raise PictureError(f"{path} is a camera raw or other file built on TIFF; develop it to a 16-bit TIFF first")
    if kind not in ("MINISBLACK", "RGB", "YCBCR"):
        raise PictureError(f"{path} is TIFF of kind {kind}, not grey or RGB; convert it to RGB first")
    if page.dtype not in (np.uint8, np.uint16):
        raise PictureError(f"{path} has samples of type {page.dtype}; save it as 8- or 16-bit TIFF")
    if page.axes not in ("YX", "YXS", "SYX"):
        raise PictureError(f"{path} has axes {page.axes}, not those of one flat picture")
    _check_size(path, page.imagewidth, page.imagelength)
    ends = [a + b for a, b in zip(page.dataoffsets, page.databytecounts, strict=True)]
    if max(ends, default=0) > path.stat().st_size or 0 in page.databytecounts or not ends:
        raise PictureError(f"{path} is cut short: parts of its pixels are missing")
