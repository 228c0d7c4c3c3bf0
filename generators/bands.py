"""The three colour bands through which a sensor sees a shadow."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@lru_cache(maxsize=256)
def legendre(count: int) -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights of Gauss–Legendre quadrature on −1…1, read-only; kept, since they cost a root search."""
    x, w = np.polynomial.legendre.leggauss(count)
    x.flags.writeable = False
    w.flags.writeable = False
    return x, w


@lru_cache(maxsize=256)
def _raised_cosine_rule(count: int) -> tuple[FloatArray, FloatArray]:
    """Return the Gauss rule of the weight (1 + cos πx)/2 on −1…1, exact for polynomials of degree 2·count − 1.

    Nodes and weights are eigenvalues and first components of the Jacobi matrix (Golub & Welsch, Math.
    Comp. 23, 221, 1969), whose entries come from Stieltjes' recurrence on a finer Legendre rule.
    """
    x, w = legendre(2 * count + 40)
    w = w * (1 + np.cos(math.pi * x)) / 2
    before, here = np.zeros_like(x), np.full_like(x, 1 / math.sqrt(w.sum()))
    beta = np.zeros(count)
    for k in range(1, count):
        after = x * here - beta[k - 1] * before
        beta[k] = math.sqrt(w @ (after * after))
        before, here = here, after / beta[k]
    nodes, vectors = np.linalg.eigh(np.diag(beta[1:], 1) + np.diag(beta[1:], -1))
    weights = vectors[0] ** 2
    nodes.flags.writeable = False
    weights.flags.writeable = False
    return nodes, weights


@dataclass(frozen=True, slots=True)
class Band:
    """A raised-cosine passband: weight (1 + cos(π(λ−λ₀)/W))/2W over λ₀ ± W.

    Attributes
    ----------
    centre_um, half_width_um
        λ₀ and W in µm; W = 0 is a single wavelength.
    """

    centre_um: float
    half_width_um: float = 0.0

    def mean_cosine(self, rate: FloatArray) -> FloatArray:
        """Return the band's average of cos(rate·λ), rate in rad/µm, any shape.

        The Fourier transform of the raised cosine in closed form: cos(kλ₀)·sinc(kW/π)/(1 − (kW/π)²).
        """
        u = np.asarray(rate) * self.half_width_um / math.pi
        # At u = ±1 the ratio is 0/0 with the limit 1/2; stepping aside by 1e-9 is exact to rounding.
        u = np.where(np.abs(np.abs(u) - 1) < 1e-9, u + 2e-9, u)
        return np.cos(np.asarray(rate) * self.centre_um) * np.sinc(u) / (1 - u * u)

    def nodes(self, count: int) -> tuple[FloatArray, FloatArray]:
        """Return `count` wavelengths in µm and weights that sum to 1: the band's own Gauss rule."""
        if self.half_width_um == 0:
            return np.array([self.centre_um]), np.array([1.0])
        x, weights = _raised_cosine_rule(count)
        return self.centre_um + self.half_width_um * x, weights


RGB_BANDS = (Band(0.605, 0.060), Band(0.540, 0.060), Band(0.465, 0.050))
"""Red, green and blue. A choice, not a standard: depths differ between them by a point or two at most."""
