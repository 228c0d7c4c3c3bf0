"""An opaque disk on the filter: the spectrum of its shadow by wave optics and its profile by geometry.

The wave model (partial coherence by averaging over the pupil; Guigay's ambiguity function). For a plane
wave the intensity behind the filter is I = |F[1 − A]|², A the disk and F Fresnel propagation by d, so
1 − I = 2 Re F[A] − |F[A]|². In the spectral domain, averaged over a band,

    S(f) = 2 Â(f) ⟨cos πλd f²⟩ − ⟨B(f)⟩,      Â = a J₁(2πaf)/f,      a = p/2,
    B(f) = 4 ∫₀^{a−s} √(a² − (x+s)²) cos 2πfx dx,   s = λdf/2,   zero for f ≥ p/(λd).

S(0) = πa²: diffraction moves light about and loses only what the disk stops. λ → 0 gives geometry.
Paraxial: against the non-paraxial kernel T moves by at most 7e-5 in the range of sizes and distances here.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0, j1

from .bands import Band, legendre
from .jinc_table import tabled_jinc

FloatArray = NDArray[np.float64]


def disk_transform(f: FloatArray, diameter_um: float) -> FloatArray:
    """Return a·J₁(2πaf)/f in µm², the Fourier transform of a disk, to 2e-11 of πa², which it is at f = 0."""
    a = diameter_um / 2
    return math.pi * a * a * tabled_jinc(2 * math.pi * a * np.asarray(f))


def disk_ambiguity(
    f: FloatArray, diameter_um: float, distance_um: float, wavelength_um: float | FloatArray
) -> FloatArray:
    """Return B(f) in µm² of wavelengths that broadcast against the frequencies.

    With x = (a − s)(1 − v²) the integrand is smooth and takes no arc:
    B = 8 (a−s)^{3/2} ∫₀¹ v² √(2a − (a−s)v²) cos(2πf(a−s)(1−v²)) dv. Gauss–Legendre nodes, four for each
    cycle of the cosine and ten more, reach 1e-7 of πa². The cosine is taken in single precision of a
    phase reduced to one turn in double: 2e-7 more, nothing at f = 0.
    """
    a = diameter_um / 2
    left = np.maximum(a - np.asarray(wavelength_um) * distance_um * f / 2, 0.0)
    turns = f * left
    x, w = legendre(10 + math.ceil(4 * float(turns.max(initial=0.0))))
    v2 = ((x + 1) / 2) ** 2
    phase = np.multiply.outer(turns, 1 - v2)
    phase -= np.rint(phase)
    wave = np.cos(np.float32(2 * math.pi) * phase.astype(np.float32))
    wave = wave * np.sqrt(2 * a - np.multiply.outer(left, v2))
    return np.asarray(4 * left**1.5 * np.einsum("...k,k->...", wave, v2 * w))


def band_ambiguity(f: FloatArray, diameter_um: float, distance_um: float, bands: tuple[Band, ...]) -> FloatArray:
    """Return ⟨B⟩ in µm² for each band at frequencies of any shape, (bands, *shape of f).

    B has no frequency above a, so few Chebyshev points carry it: they are interpolated where they are
    fewer than the frequencies asked for. The error is at most 2e-4 of πa², there where B ends within a
    band, and 1e-6 elsewhere.
    """
    shortest = min(band.centre_um - band.half_width_um for band in bands)
    end = diameter_um / (shortest * distance_um)
    f = np.asarray(f, dtype=float)
    inside = f < end
    wanted = f[inside]
    result = np.zeros((len(bands), *f.shape))
    if wanted.size == 0:
        return result
    top = min(end, float(wanted.max()))
    count = 20 + math.ceil(math.pi * top * diameter_um / 2)
    if wanted.size <= count:
        result[:, inside] = _mean_ambiguity(wanted, diameter_um, distance_um, bands)
        return result
    places, weights = _chebyshev(count)
    nodes = top * places / 2
    values = _mean_ambiguity(nodes, diameter_um, distance_um, bands)
    result[:, inside] = _barycentric(wanted, nodes, weights, values.T).T
    return result


def _mean_ambiguity(f: FloatArray, diameter_um: float, distance_um: float, bands: tuple[Band, ...]) -> FloatArray:
    """Return each band's average of B at each of the frequencies, (bands, n)."""
    widest = max(band.half_width_um for band in bands)
    swing = math.pi * distance_um * float(f.max()) ** 2 * widest
    lengths, weights = _rules(bands, 6 + math.ceil(swing / 2))
    return np.asarray(weights @ disk_ambiguity(f, diameter_um, distance_um, lengths))


@lru_cache(maxsize=64)
def _rules(bands: tuple[Band, ...], count: int) -> tuple[FloatArray, FloatArray]:
    """Return the nodes (n, 1) of all bands' Gauss rules and what makes the bands' means of values there, (bands, n)."""
    rules = [band.nodes(count) for band in bands]
    weights = np.zeros((len(bands), sum(len(w) for _, w in rules)))
    first = 0
    for row, (_, w) in zip(weights, rules, strict=True):
        row[first : first + len(w)] = w
        first += len(w)
    lengths = np.concatenate([lengths for lengths, _ in rules])[:, None]
    for kept in (lengths, weights):
        kept.flags.writeable = False
    return lengths, weights


@lru_cache(maxsize=256)
def _chebyshev(count: int) -> tuple[FloatArray, FloatArray]:
    """Return the Chebyshev points of the second kind on 0…2 and their barycentric weights, read-only.

    The weights are ±1 and half of it at both ends (Berrut & Trefethen, SIAM Review 46(3) 501, 2004).
    """
    places = 1 - np.cos(np.pi * np.arange(count) / (count - 1))
    weights = np.where(np.arange(count) % 2 == 0, 1.0, -1.0)
    weights[[0, -1]] /= 2
    for kept in (places, weights):
        kept.flags.writeable = False
    return places, weights


def _barycentric(x: FloatArray, nodes: FloatArray, weights: FloatArray, values: FloatArray) -> FloatArray:
    """Return the polynomial through values (n, layers) at nodes with barycentric weights, at x."""
    gap = x[:, None] - nodes
    # At a node the quotient's limit is that node's value; a gap of 1e-300 leaves nothing else in the sums.
    gap[gap == 0] = 1e-300
    share = weights / gap
    return np.asarray(np.einsum("xn,nl->xl", share, values) / share.sum(axis=1)[:, None])


def shadow_spectrum(f: FloatArray, *, diameter_um: float, distance_um: float, band: Band) -> FloatArray:
    """Return S(f) in µm², the transform of 1 − I for a plane wave, before pupil and pixel.

    Parameters
    ----------
    f
        Radial frequencies in cycles/µm, any shape.
    diameter_um, distance_um
        Grain diameter p and air-equivalent filter distance d.
    band
        The passband to average over.
    """
    cosine = band.mean_cosine(math.pi * distance_um * f * f)
    (ambiguity,) = band_ambiguity(f, diameter_um, distance_um, (band,))
    return np.asarray(2 * disk_transform(f, diameter_um) * cosine - ambiguity)


def radial_depth(
    radius_um: FloatArray, *, diameter_um: float, distance_um: float, blur_um: float, band: Band
) -> FloatArray:
    """Return 1 − T at radii in µm under a round pupil of projected diameter `blur_um`, before the pixel.

    The Hankel transform 2π ∫ S(f) P̂(f) J₀(2πfr) f df. The integrand falls as f⁻² and oscillates, so the
    cut at `top` costs about 1/(2π² top · √(blur·p)³ …); the constants below keep it under 1e-6 for
    p ≥ 5 µm and blur ≥ 20 µm.
    """
    top, reach = 4.0, 4.0
    span = float(np.max(radius_um, initial=0.0)) + diameter_um + blur_um
    f = np.linspace(0.0, top, math.ceil(2 * reach * top * span + 16 * top * top * distance_um * band.centre_um) + 1)
    taper = np.cos(np.clip((f / top - 0.75) / 0.25, 0, 1) * math.pi / 2) ** 2
    x = math.pi * blur_um * f
    pupil = np.where(x == 0, 1.0, 2 * j1(np.where(x == 0, 1.0, x)) / np.where(x == 0, 1.0, x))
    spectrum = shadow_spectrum(f, diameter_um=diameter_um, distance_um=distance_um, band=band)
    weight = 2 * math.pi * spectrum * pupil * taper * f
    kernel = j0(2 * math.pi * np.multiply.outer(np.asarray(radius_um, dtype=float), f))
    return np.asarray(np.trapezoid(kernel * weight, f, axis=-1))


def lens_area(separation: FloatArray, radius_a: float, radius_b: float) -> FloatArray:
    """Return the area common to two disks at a separation of their centres (elementary geometry)."""
    r = np.asarray(separation, dtype=float)
    a, b = radius_a, radius_b
    small = math.pi * min(a, b) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        alpha = np.arccos(np.clip((r * r + a * a - b * b) / (2 * r * a), -1, 1))
        beta = np.arccos(np.clip((r * r + b * b - a * a) / (2 * r * b), -1, 1))
        area = a * a * (alpha - np.sin(2 * alpha) / 2) + b * b * (beta - np.sin(2 * beta) / 2)
    return np.where(r >= a + b, 0.0, np.where(r <= abs(a - b), small, area))


def geometric_depth(radius_um: FloatArray, *, diameter_um: float, blur_um: float) -> FloatArray:
    """Return 1 − T by rays: the share of the projected pupil that the grain covers, at radii in µm.

    For comparison only: for p ≤ 20 µm its depth is wrong by a factor of 1.1 to 3.7.
    """
    return lens_area(radius_um, diameter_um / 2, blur_um / 2) / (math.pi * blur_um**2 / 4)
