"""Logistic regression by maximum likelihood, and the region of parameters that the data do not rule out.

The model is logit P = X·β with binomial counts. Newton's steps on the concave log-likelihood ℓ, halved where
one overshoots, end at its maximum; that is iteratively reweighted least squares (McCullagh & Nelder,
Generalized Linear Models, 2nd ed. 1989, §4.4, from memory).

Intervals come from the region 2(ℓ(β̂) − ℓ(β)) ≤ c. The range of any function of β over it is that function's
profile-likelihood interval, so one boundary serves the curve, the sizes and their limits alike. The delta
method, a straight line laid on a curved region, covers too little at the sizes of a usual trial.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_expit

FloatArray = NDArray[np.float64]

MOST_STEPS = 60
"""Newton's steps before the fit is given up; a sound one takes 4 to 10."""

DONE = 1e-12
"""Newton decrement gᵀH⁻¹g, twice the log-likelihood still to gain, at which the maximum is reached."""

DIRECTIONS = 240
"""Points on the boundary of a region; an extreme is then short by at most (π/240)²/2, one part in 10,000."""

LEAST_INFORMATION = 1e-6
"""Least share of the information at β = 0 that a maximum keeps in any direction; where the likelihood rises for
ever, Newton's steps end on a plateau with less."""


class NoFitError(ValueError):
    """The likelihood has no maximum that can be reached: separated data, or one value of the variable."""


@dataclass(frozen=True, slots=True)
class Trials:
    """Binomial data: `hits` of `trials` at each row of `design` (n, k)."""

    design: FloatArray
    hits: FloatArray
    trials: FloatArray

    def log_likelihood(self, beta: FloatArray) -> FloatArray:
        """Return ℓ without its binomial constant, for β of shape (k,) or (k, m)."""
        eta = self.design @ beta
        return np.asarray(self.hits @ log_expit(eta) + (self.trials - self.hits) @ log_expit(-eta))

    def gradient_rows(self, beta: FloatArray) -> FloatArray:
        """Return each row's share of ∂ℓ/∂β, (n, k)."""
        return np.asarray((self.hits - self.trials * expit(self.design @ beta))[:, None] * self.design)

    def information(self, beta: FloatArray) -> FloatArray:
        """Return −∂²ℓ/∂β², (k, k)."""
        p = expit(self.design @ beta)
        return np.asarray(self.design.T @ ((self.trials * p * (1 - p))[:, None] * self.design))


@dataclass(frozen=True, slots=True)
class Fit:
    """The maximum of the likelihood.

    Attributes
    ----------
    beta
        β̂ (k,).
    information
        Fisher information there (k, k); its inverse is the covariance for many trials.
    log_likelihood
        ℓ(β̂).
    data
        What was fitted.
    """

    beta: FloatArray
    information: FloatArray
    log_likelihood: float
    data: Trials


def trials(variable: NDArray[Any], hit: NDArray[Any]) -> Trials:
    """Return single trials on one variable with an intercept: β = (intercept, slope)."""
    x = np.asarray(variable, dtype=np.float64)
    return Trials(np.column_stack([np.ones_like(x), x]), np.asarray(hit, dtype=np.float64), np.ones_like(x))


def is_separated(variable: NDArray[Any], hit: NDArray[Any]) -> bool:
    """Tell whether one value parts hits from misses, ties at the value allowed: no finite maximum then.

    So it is without a hit or without a miss (Albert & Anderson, Biometrika 71 (1984) 1, from memory).
    """
    x, y = np.asarray(variable, dtype=np.float64), np.asarray(hit, dtype=bool)
    found, missed = x[y], x[~y]
    if len(found) == 0 or len(missed) == 0:
        return True
    return bool(missed.max() <= found.min() or found.max() <= missed.min())


def fit(data: Trials) -> Fit:
    """Return the maximum-likelihood fit.

    Raises
    ------
    NoFitError
        If the information is singular or the maximum is not reached; separated data end here.
    """
    beta = np.zeros(data.design.shape[1])
    for _ in range(MOST_STEPS):
        gradient = data.gradient_rows(beta).sum(axis=0)
        information = data.information(beta)
        try:
            step = np.linalg.solve(information, gradient)
        except np.linalg.LinAlgError as error:
            raise NoFitError("the variable does not vary, or the data are separated") from error
        if gradient @ step < DONE:
            _check_maximum(data, information)
            return Fit(beta, information, float(data.log_likelihood(beta)), data)
        beta = _advanced(data, beta, step)
    raise NoFitError(f"the likelihood has no maximum within {MOST_STEPS} steps")


def _check_maximum(data: Trials, information: FloatArray) -> None:
    kept = np.linalg.eigvals(np.linalg.solve(data.information(np.zeros(len(information))), information)).real
    if kept.min() < LEAST_INFORMATION:
        raise NoFitError("the data are separated: the likelihood rises for ever")


def _advanced(data: Trials, beta: FloatArray, step: FloatArray) -> FloatArray:
    """Return β + step, the step halved until the likelihood does not fall."""
    start = data.log_likelihood(beta)
    for halvings in range(30):
        ahead = beta + step / 2**halvings
        if data.log_likelihood(ahead) >= start:
            return np.asarray(ahead)
    return beta


def boundary(found: Fit, drop: float) -> FloatArray:
    """Return points (`DIRECTIONS`, 2) where 2(ℓ(β̂) − ℓ(β)) = `drop`, around a fit of two parameters.

    Seen from β̂ the drop is convex in the radius, so Newton's steps from outside come down on it.
    """
    angle = np.linspace(0, 2 * np.pi, DIRECTIONS, endpoint=False)
    circle = np.stack([np.cos(angle), np.sin(angle)])
    # In these directions the quadratic approximation of the region is a circle of radius √drop.
    rays = np.linalg.solve(np.linalg.cholesky(found.information).T, circle)
    radius = np.full(DIRECTIONS, np.sqrt(drop))
    while np.any(short := _fallen(found, rays, radius) < drop):
        radius[short] *= 2
    for _ in range(MOST_STEPS):
        ahead = (_fallen(found, rays, radius) - drop) / _steepness(found, rays, radius)
        radius -= ahead
        if np.all(np.abs(ahead) < 1e-6 * radius):
            break
    return np.asarray(found.beta + (radius * rays).T)


def _fallen(found: Fit, rays: FloatArray, radius: FloatArray) -> FloatArray:
    return np.asarray(2 * (found.log_likelihood - found.data.log_likelihood(found.beta[:, None] + radius * rays)))


def _steepness(found: Fit, rays: FloatArray, radius: FloatArray) -> FloatArray:
    data = found.data
    p = expit(data.design @ (found.beta[:, None] + radius * rays))
    residual = data.hits[:, None] - data.trials[:, None] * p
    return np.asarray(-2 * np.einsum("nm,nm->m", data.design @ rays, residual))


def dispersion(found: Fit, block: NDArray[Any]) -> float:
    """Return by how much blocks vary more than independent trials would, at least 1.

    The largest eigenvalue of I⁻¹·J, with I the information and J = Σ g gᵀ·G/(G − 1) over the gradients g of G
    blocks: the largest of the generalised design effects by which likelihood ratios of clustered data are
    divided (Rao & Scott, Annals of Statistics 12 (1984) 46, from memory). Their mean, the usual choice, is too
    small for the size found half the time, where blocks differ most. Below 1 is chance; nan with one block.
    """
    _, number = np.unique(np.asarray(block), return_inverse=True)
    blocks = int(number.max()) + 1
    if blocks < 2:
        return float("nan")
    rows = found.data.gradient_rows(found.beta)
    sums = np.zeros((blocks, rows.shape[1]))
    np.add.at(sums, number, rows)
    spread = sums.T @ sums * blocks / (blocks - 1)
    return max(1.0, float(np.linalg.eigvals(np.linalg.solve(found.information, spread)).real.max()))
