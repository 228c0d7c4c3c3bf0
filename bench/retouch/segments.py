"""The parts of JPEG and PNG files that are not pixels, taken over byte by byte from the original."""

from __future__ import annotations

from collections.abc import Iterator

SOI, EOI, SOS = 0xD8, 0xD9, 0xDA
APP0, APP2, APP14, APP15, COMMENT = 0xE0, 0xE2, 0xEE, 0xEF, 0xFE
"""Markers of ISO/IEC 10918-1, table B.1."""

PNG_HEAD = 8
_CRITICAL = (b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS")
"""Chunks that say how pixels are stored; the other ones say what they mean."""


def with_jpeg_headers(new: bytes, original: bytes) -> bytes:
    """Return a JPEG's picture under the application and comment segments of another.

    Exif, colour profile, XMP and the rest come along unchanged. Left out are an APP14 segment, which says how the old
    picture was coded, and an index of further pictures in the file, which don't come along.
    """
    kept = [part for marker, part in _segments(original) if _describes(marker, part)]
    rest = [part for marker, part in _segments(new) if not _is_application(marker)]
    return b"\xff\xd8" + b"".join(kept) + b"".join(rest) + new[_picture_start(new) :]


def _is_application(marker: int) -> bool:
    return APP0 <= marker <= APP15 or marker == COMMENT


def _describes(marker: int, part: bytes) -> bool:
    if marker == APP14 or (marker == APP2 and part[4:8] == b"MPF\0"):
        return False
    return _is_application(marker)


def _segments(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield (marker, whole segment) of a JPEG file up to its first scan."""
    at = 2
    while data[at] == 0xFF and data[at + 1] != SOS:
        if data[at + 1] == 0xFF:  # fill byte
            at += 1
            continue
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        yield data[at + 1], data[at : at + 2 + length]
        at += 2 + length


def _picture_start(data: bytes) -> int:
    """Return where the first scan begins."""
    return 2 + sum(len(part) for _, part in _segments(data))


def with_png_chunks(new: bytes, original: bytes) -> bytes:
    """Return a PNG's picture with the ancillary chunks of another, in their order, before the pixels."""
    kept = [chunk for name, chunk in _chunks(original) if name not in _CRITICAL]
    parts = [chunk for name, chunk in _chunks(new) if name in _CRITICAL]
    colours = [chunk for name, chunk in _chunks(original) if name == b"tRNS"]
    return b"".join([new[:PNG_HEAD], parts[0], *kept, *colours, *parts[1:]])


def _chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield (name, whole chunk) of a PNG file."""
    at = PNG_HEAD
    while at < len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        yield data[at + 4 : at + 8], data[at : at + 12 + length]
        at += 12 + length
