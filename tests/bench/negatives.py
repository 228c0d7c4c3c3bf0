"""Digital negatives written for tests, with what a camera would note in them (DNG specification 1.4, Exif 2.32)."""

import struct

import numpy as np
import tifffile

BANDS = {"RGGB": (0, 1, 1, 2), "GRBG": (1, 0, 2, 1), "GBRG": (1, 2, 0, 1), "BGGR": (2, 1, 1, 0)}
PLACEHOLDER = 34664
"""The library writes no Exif directory by itself; this tag, just before it in order, keeps its place."""

BLACK, WHITE = (512, 520, 530, 540), 15_000


def mosaic_of(light, *, pattern="RGGB", black=BLACK, white=WHITE):
    """Return sensor numbers, uint16 (height, width), of linear light in 0…1, (height, width, 3)."""
    codes = np.empty(light.shape[:2], np.uint16)
    for place, (band, level) in enumerate(zip(BANDS[pattern], black, strict=True)):
        rows, columns = slice(place // 2, None, 2), slice(place % 2, None, 2)
        codes[rows, columns] = np.rint(level + (white - level) * light[rows, columns, band])
    return codes


def write_negative(path, mosaic, *, pattern="RGGB", black=BLACK, white=WHITE, orientation=1, exif=None):
    """Write a mosaic as DNG; `exif` maps tags to (numerator, denominator), an integer or a string."""
    identity = [1 if row == column else 0 for row in range(3) for column in range(3)]
    tags = [
        (271, 2, 0, "Maker", True),
        (272, 2, 0, "Maker One", True),
        (274, 3, 1, orientation, True),
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes(BANDS[pattern]), True),
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),
        (50708, 2, 0, "Maker One", True),
        (50713, 3, 2, (2, 2), True),
        (50714, 3, 4, black, True),
        (50717, 3, 1, white, True),
        (50721, 10, 9, [part for value in identity for part in (value, 1)], True),
        (50728, 5, 3, (1, 1, 1, 1, 1, 1), True),
    ]
    if exif:
        tags.append((PLACEHOLDER, 4, 1, 0, True))
    tifffile.imwrite(path, mosaic, photometric=32803, metadata=None, extratags=tags, byteorder="<")
    if exif:
        _add_directory(path, exif)
    return path


def _add_directory(path, exif):
    start = path.stat().st_size
    entries, values = [], b""
    first = start + 2 + 12 * len(exif) + 4
    for tag, value in sorted(exif.items()):
        if isinstance(value, tuple):
            kind, count, data = 5, 1, struct.pack("<2I", *value)
        elif isinstance(value, str):
            data = value.encode() + b"\0"
            kind, count = 2, len(data)
        else:
            kind, count, data = 3, 1, struct.pack("<HH", value, 0)
        if len(data) > 4:
            place = struct.pack("<I", first + len(values))
            values += data
        else:
            place = data.ljust(4, b"\0")
        entries.append(struct.pack("<HHI", tag, kind, count) + place)
    with path.open("ab") as file:
        file.write(struct.pack("<H", len(entries)) + b"".join(entries) + bytes(4) + values)
    with tifffile.TiffFile(path, mode="r+b") as tiff:
        tag = tiff.pages.first.tags[PLACEHOLDER]
        tag.overwrite(start)
        place = tag.offset
    data = bytearray(path.read_bytes())
    data[place : place + 2] = struct.pack("<H", 34665)
    path.write_bytes(data)
