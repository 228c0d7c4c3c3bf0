"""A repaired copy of a TIFF file: the file as it is, with those strips or tiles replaced that were touched."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import YardError
from .copies import Change

PLAIN, LZW, DEFLATE, OLD_DEFLATE = 1, 5, 8, 32_946
"""Values of TIFF's Compression tag that are written."""

HORIZONTAL = 2
"""Value of its Predictor tag for differences of neighbours; 1 is none."""


def check_tiff(path: Path) -> None:
    """Return if a copy of a TIFF file can be made.

    Raises
    ------
    YardError
        If its compression is none of none, LZW and Deflate.
    """
    import tifffile

    try:
        with tifffile.TiffFile(path) as tiff:
            page: Any = tiff.pages.first
            packing, predictor = page.compression, page.predictor
    except Exception as error:  # decoders raise whatever they like on a broken file
        raise YardError(f"{path} can't be read, it is cut short, damaged or no picture: {error}") from error
    if packing not in (PLAIN, LZW, DEFLATE, OLD_DEFLATE) or predictor not in (1, HORIZONTAL):
        raise YardError(f"{path} is packed by {packing.name}; save it uncompressed, or with LZW or Deflate")


def tiff_copy(path: Path, change: Change) -> bytes:
    """Return the file's bytes with the touched strips or tiles coded anew; everything else stays to the bit.

    Coded parts that are longer are put at the end of the file, and the table of offsets points there.
    """
    import tifffile

    file = io.BytesIO(path.read_bytes())
    with tifffile.TiffFile(file, mode="r+") as tiff:
        page: Any = tiff.pages.first
        offsets, counts = list(page.dataoffsets), list(page.databytecounts)
        for index, (segment, place, shape) in enumerate(page.segments()):
            part = np.array(segment).reshape(shape)
            if not _put(change, part[0], page, place):
                continue
            data = _coded(part, page, tiff.byteorder)
            offsets[index], counts[index] = _placed(file, data, offsets[index], counts[index]), len(data)
        _note(page, offsets, counts)
    return file.getvalue()


def _put(change: Change, part: NDArray[Any], page: Any, place: tuple[int, ...]) -> bool:
    """Put what is new into a strip or tile (h, w, samples), and say whether anything is."""
    sample, _, row, column = place[:4]
    here = slice(row, row + part.shape[0]), slice(column, column + part.shape[1])
    if not change.touched[here].any():
        return False
    inner = part[: change.touched[here].shape[0], : change.touched[here].shape[1]]
    planes = page.planarconfig == 2 and page.samplesperpixel > 1
    colours = 3 if page.samplesperpixel >= 3 else 1  # grey, with or without transparency
    if planes and sample < colours:
        where = change.touched[here]
        inner[..., 0][where] = change.pixels[here][where][:, sample if colours == 3 else 1]
    elif not planes:
        change.into(inner, row=row, column=column)
    return not (planes and sample >= colours)


def _coded(part: NDArray[Any], page: Any, byteorder: str) -> bytes:
    """Return a strip or tile as the file stores it."""
    import imagecodecs

    part = _full(part, page)
    if page.predictor == HORIZONTAL:
        part = imagecodecs.delta_encode(part, axis=-2)
    raw = np.ascontiguousarray(part).astype(f"{byteorder}u{part.dtype.itemsize}").tobytes()
    if page.compression == LZW:
        return bytes(imagecodecs.lzw_encode(raw))
    if page.compression in (DEFLATE, OLD_DEFLATE):
        return bytes(imagecodecs.zlib_encode(raw))
    return raw


def _full(part: NDArray[Any], page: Any) -> NDArray[Any]:
    """Return a tile at the frame's edge at full size."""
    if not page.is_tiled:
        return part
    missing = (page.tilelength - part.shape[1], page.tilewidth - part.shape[2])
    return np.pad(part, ((0, 0), (0, missing[0]), (0, missing[1]), (0, 0)))


def _placed(file: io.BytesIO, data: bytes, offset: int, count: int) -> int:
    """Write data over the old ones where it fits, else at the end on an even byte; return where."""
    if len(data) > count:
        file.seek(0, io.SEEK_END)
        offset = file.tell() + file.tell() % 2
    file.seek(offset)
    file.write(data)
    return offset


def _note(page: Any, offsets: list[int], counts: list[int]) -> None:
    """Write the tables of offsets and lengths."""
    kind = "Tile" if page.is_tiled else "Strip"
    if offsets != list(page.dataoffsets):
        page.tags[f"{kind}Offsets"].overwrite(offsets)
    if counts != list(page.databytecounts):
        page.tags[f"{kind}ByteCounts"].overwrite(counts)
