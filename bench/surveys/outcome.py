"""One pair of surveys judged, as numbers that a file keeps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from .fates import Told


@dataclass(frozen=True, slots=True)
class Measured:
    """A true grain that a survey named.

    Attributes
    ----------
    size_um, told_um
        Its diameter and the one it was given.
    error_px
        From its centre to the place it was given.
    depth, told_depth
        Of its shadow in the test frames.
    """

    size_um: float
    told_um: float
    error_px: float
    depth: float
    told_depth: float


@dataclass(frozen=True, slots=True)
class Survey:
    """One survey judged.

    Attributes
    ----------
    megapixels
        Of a test frame.
    found
        True grains that were named.
    missed_um
        Diameters of those that were not.
    false_um
        Diameters given to grains that are nothing true.
    things, things_told
        What lies there that is no grain and visible in the test frames, and how much of it was told of in any way.
    distance_mm, told_mm, low_mm, high_mm
        The filter's distance, the survey's, and the ends of its interval, nan where there are none.
    limit_um, half_um
        X of "no grain larger than X", inf where nothing was stated, and the size found every other time.
    share
        Of the picture that the statement is about.
    there_um
        Diameters of true grains, not named, that lie where the statement says that none larger than X is.
    probes, probes_found
        Grains of diameter X laid into test frames of the same sensor, and how many of them were named.
    clear_to
        The smallest aperture up to which nothing visible is said to remain, 0 for none.
    shows_from
        The widest aperture at which a true grain shows, inf if none does.
    """

    megapixels: float
    found: tuple[Measured, ...]
    missed_um: tuple[float, ...]
    false_um: tuple[float, ...]
    things: int
    things_told: int
    distance_mm: float
    told_mm: float
    low_mm: float
    high_mm: float
    limit_um: float
    half_um: float
    share: float
    there_um: tuple[float, ...]
    probes: int
    probes_found: int
    clear_to: float
    shows_from: float

    @property
    def is_false(self) -> bool:
        """Whether a grain larger than X lies where none is said to."""
        return any(size > self.limit_um for size in self.there_um)

    @property
    def is_wrongly_clear(self) -> bool:
        """Whether a grain shows at an aperture at which nothing visible is said to remain."""
        return self.shows_from <= self.clear_to

    @classmethod
    def from_plain(cls, raw: Mapping[str, Any]) -> Survey:
        """Return the survey that `asdict` made plain."""
        lists = {key: tuple(raw[key]) for key in ("missed_um", "false_um", "there_um")}
        return cls(**{**raw, **lists, "found": tuple(Measured(**each) for each in raw["found"])})


@dataclass(frozen=True, slots=True)
class Outcome:
    """A pair of surveys judged.

    Attributes
    ----------
    kind, roll
        Label of the kind and digest of the roll.
    before, after
        The two surveys.
    told
        What was told of each grain's fate.
    """

    kind: str
    roll: str
    before: Survey
    after: Survey
    told: tuple[Told, ...]

    @property
    def surveys(self) -> tuple[Survey, Survey]:
        """Both."""
        return self.before, self.after

    @property
    def key(self) -> str:
        """Digest of what was judged."""
        return self.roll

    def to_plain(self) -> dict[str, Any]:
        """Return what JSON can hold; inf and nan are Python's."""
        return asdict(self)

    @classmethod
    def from_plain(cls, raw: Mapping[str, Any]) -> Outcome:
        """Return the outcome that `to_plain` made plain."""
        told = tuple(Told(**each) for each in raw["told"])
        surveys = {name: Survey.from_plain(raw[name]) for name in ("before", "after")}
        return cls(**{**raw, **surveys, "told": told})
