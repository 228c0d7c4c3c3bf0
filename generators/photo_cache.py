"""Decoded pictures kept between frames, since reading one anew for every frame takes longer than painting one."""

from __future__ import annotations

from collections import OrderedDict
from pathlib import Path

from .photo_io import Picture, read_picture

KEPT_BYTES = 400_000_000
"""Pixels kept by one process at most: some dozen pictures of 12 megapixels, five of 24."""

Stamp = tuple[str, int, int]


def stamp(path: Path) -> Stamp:
    """Return path, time of change and size: a file that was edited is another file."""
    status = path.stat()
    return str(path.resolve()), status.st_mtime_ns, status.st_size


class PictureCache:
    """The pictures read last, up to a number of bytes; a larger picture is read and not kept.

    Parameters
    ----------
    most_bytes
        Bytes of pixels that are kept.
    """

    def __init__(self, most_bytes: int = KEPT_BYTES) -> None:
        self._most = most_bytes
        self._pictures: OrderedDict[Stamp, Picture] = OrderedDict()

    @property
    def size_bytes(self) -> int:
        """Bytes of pixels kept now."""
        return sum(picture.pixels.nbytes for picture in self._pictures.values())

    def read(self, path: Path) -> Picture:
        """Return the picture in a file, as `read_picture` does, with its errors."""
        if not path.is_file():
            return read_picture(path)  # which says what is wrong
        key = stamp(path)
        picture = self._pictures.pop(key, None)
        if picture is None:
            picture = read_picture(path)
            self._make_room(picture.pixels.nbytes)
        if picture.pixels.nbytes <= self._most:
            self._pictures[key] = picture
        return picture

    def _make_room(self, size_bytes: int) -> None:
        while self._pictures and self.size_bytes + size_bytes > self._most:
            self._pictures.popitem(last=False)


SHARED = PictureCache()
"""The cache of this process."""
