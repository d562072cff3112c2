"""Robust least-squares cylinder and sphere through scanned points, with their covariance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from labkit.errors import GeometryError
from labkit.exports.expected.base import Array
from labkit.exports.scan.noise import MOST_POINTS, Alike, thinned

Errors = Callable[[Array], tuple[Array, Array]]

#: Reach of the surface's pull at first, mm, from coarse to fine (Geman–McClure).
FALLING_MM = (0.3, 0.3, 0.2, 0.2, 0.15, 0.1, 0.1)
#: Steps with Tukey's weights and the points' own scatter; they settle in some ten.
MOST_STEPS, SETTLED_MM = 40, 1e-7
#: Tukey's constant for 95 % efficiency on normal errors.
TUKEY = 4.685
#: Median of |e| of a normal error, for its standard deviation.
NORMAL_MEDIAN = 0.6744897501960817
#: Scatter taken as least: the file's digits and chord errors.
LEAST_SCATTER_MM = 5e-4
#: A bore or pin stands square to the bar's faces to this (standard deviation of the slope).
SQUARE = 0.004
#: Fewer points fix nothing against stray ones.
LEAST_POINTS = 12


@dataclass(frozen=True, eq=False)
class SurfaceFit:
    """A cylinder about y or a sphere, fitted in the rod frame.

    Args:
        center: Centre of the sphere; of a cylinder, the axis at the level asked for, mm.
        slopes: dx/dy and dz/dy of a cylinder's axis; empty for a sphere.
        oval_mm: Amplitude of a cylinder's radius over two waves round it, 0 where not asked for.
        points: Points that were offered, shape (n, 3).
        residuals: Their distances from the surface, + outside, mm, shape (n,).
        weights: Their weights, 0 … 1, shape (n,).
        jacobian: Derivatives of the residuals by the unknowns, shape (n, k).
        prior: 1 / σ² of what is known beforehand about each unknown, 1/mm², shape (k,).
        scatter_mm: Robust standard deviation of the residuals.
    """

    center: tuple[float, float, float]
    radius_mm: float
    slopes: tuple[float, ...]
    points: Array
    residuals: Array
    weights: Array
    jacobian: Array
    prior: Array
    scatter_mm: float
    oval_mm: float = 0.0

    @property
    def used(self) -> NDArray[np.bool_]:
        """Points that count, shape (n,)."""
        return self.weights > 0.05

    @property
    def rms_mm(self) -> float:
        """Root of the mean square of the residuals that count."""
        return float(np.sqrt((self.residuals[self.used] ** 2).mean()))

    def spread(self, errors: Alike) -> tuple[float, float]:
        """Estimate the errors' variance, mm², where neighbours err alike, and its ν, at least 1.

        Formula: σ² = n_eff · rms² / ν, ν = n_eff − k, n_eff = (Σ w)² / Σ w w' ρ.
        """
        taken, scale = self._taken()
        weights = self.weights[taken]
        common = float(weights @ _shared(self, errors)[:, 0])
        # White errors average over all points, common ones only over their patches.
        pairs = float(weights @ weights) / scale + common
        effective = float(weights.sum()) ** 2 / pairs
        freedom = max(effective - self.jacobian.shape[1], 1.0)
        return max(self.rms_mm, LEAST_SCATTER_MM / 10.0) ** 2 * effective / freedom, freedom

    def covariance(self, errors: Alike, variance_mm2: float) -> Array:
        """Work out the unknowns' covariance (k, k), mm², where neighbouring points err alike.

        Formula: A⁻¹ (σ² Jᵀ W ρ W J + σ⁴ Λ) A⁻¹ with A = Jᵀ W J + σ² Λ, ρ the correlation of the
        points' errors, Λ what is known beforehand.

        Source: least squares with correlated errors (the sandwich form).
        """
        taken, scale = self._taken()
        weighed = self.weights[taken, None] * self.jacobian[taken]
        common = _shared(self, errors)[:, 1:]
        known = variance_mm2 * np.diag(self.prior)
        bread = scale * weighed.T @ self.jacobian[taken] + known
        meat = scale * weighed.T @ weighed + scale**2 * weighed.T @ common + known
        inverse = np.linalg.inv(bread)
        return np.asarray(variance_mm2 * inverse @ meat @ inverse, dtype=np.float64)

    def by_errors(self, most: int) -> tuple[Array, Array]:
        """Give how the unknowns change with the errors of at most so many points.

        Formula: A⁻¹ Jᵀ W, A as in `covariance`.

        Returns:
            The points (n, 3) and the changes (k, n).
        """
        taken, scale = self._taken(most)
        weighed = self.weights[taken, None] * self.jacobian[taken]
        known = self.rms_mm**2 * np.diag(self.prior)
        bread = scale * weighed.T @ self.jacobian[taken] + known
        change = -scale * np.linalg.solve(bread, weighed.T)
        return self.points[taken], np.asarray(change, dtype=np.float64)

    def _taken(self, most: int = MOST_POINTS) -> tuple[NDArray[np.intp], float]:
        """Choose the points whose pairs are summed; each stands for so many."""
        used = np.flatnonzero(self.used)
        taken = used[thinned(len(used), most)]
        return taken, len(used) / len(taken)


@lru_cache(maxsize=4)
def _shared(fit: SurfaceFit, errors: Alike) -> Array:
    """Sum, for each point taken, the others' weights and weighed derivatives times ρ, (n, 1 + k).

    The table of all pairs is the dearest of a fit, and is asked for more than once.
    """
    taken, _ = fit._taken()
    weights = fit.weights[taken, None]
    summed = np.column_stack([weights, weights * fit.jacobian[taken]])
    return np.asarray(errors.between(fit.points[taken]) @ summed - summed, dtype=np.float64)


def robust_cylinder(
    points: Array, center: tuple[float, float], level_mm: float, radius_mm: float,
    *, oval: bool = False,
) -> SurfaceFit:
    """Fit a cylinder about y, square to the bar to within SQUARE, against stray points (n, 3).

    Unknowns are x, z, slope of x, slope of z, radius, and where `oval` two waves of the radius;
    `center` (x, z) and `radius_mm` are first guesses.

    Formula: minimum of Σ ρ(e) + σ² |slope|² / SQUARE², e = √((x − x₀ − s (y − y₀))² + …) − r;
    ρ Geman–McClure with falling reach, then Tukey's biweight at 4.685 σ.

    Validity: more than half of the points near the wall are its own.

    Raises:
        GeometryError: Too few points.

    >>> turn = np.linspace(0.0, 6.0, 60)
    >>> wall = np.column_stack([np.cos(turn), np.linspace(-1, 1, 60), np.sin(turn)])
    >>> round(robust_cylinder(wall, (0.05, 0.0), 0.0, 1.1).radius_mm, 6)
    1.0

    Source: P. W. Holland, R. E. Welsch, Robust regression using iteratively reweighted
    least-squares, 1977 (the constant; from memory).
    """
    height = points[:, 1] - level_mm

    def errors(unknowns: Array) -> tuple[Array, Array]:
        x = points[:, 0] - unknowns[0] - unknowns[2] * height
        z = points[:, 2] - unknowns[1] - unknowns[3] * height
        across = np.maximum(np.hypot(x, z), 1e-9)
        x, z = -x / across, -z / across
        waves = np.column_stack([x**2 - z**2, 2.0 * x * z])[:, : len(unknowns) - 5]
        jacobian = np.column_stack([x, z, x * height, z * height, -waves, -np.ones(len(x))])
        return across - unknowns[-1] - waves @ unknowns[4:-1], jacobian

    more = [0.0, 0.0] if oval else []
    prior = np.array([0.0, 0.0, 1.0, 1.0, *more, 0.0]) / SQUARE**2
    start = np.array([center[0], center[1], 0.0, 0.0, *more, radius_mm])
    unknowns, residuals, weights, jacobian, scatter = _minimise(errors, start, prior, len(points))
    return SurfaceFit(
        (float(unknowns[0]), level_mm, float(unknowns[1])), float(unknowns[-1]),
        (float(unknowns[2]), float(unknowns[3])), points, residuals, weights, jacobian, prior,
        scatter, float(np.linalg.norm(unknowns[4:-1])),
    )


def robust_sphere(
    points: Array, center: tuple[float, float, float], radius_mm: float
) -> SurfaceFit:
    """Fit a sphere against stray points (n, 3), as robust_cylinder does a cylinder.

    Unknowns are x, y, z, radius; `center` and `radius_mm` are first guesses.

    Raises:
        GeometryError: Too few points.
    """

    def errors(unknowns: Array) -> tuple[Array, Array]:
        out = points - unknowns[:3]
        distance = np.maximum(np.linalg.norm(out, axis=1), 1e-9)
        jacobian = np.column_stack([-out / distance[:, None], -np.ones(len(out))])
        return distance - unknowns[3], jacobian

    prior = np.zeros(4)
    start = np.array([*center, radius_mm])
    unknowns, residuals, weights, jacobian, scatter = _minimise(errors, start, prior, len(points))
    x, y, z, radius = (float(value) for value in unknowns)
    return SurfaceFit(
        (x, y, z), radius, (), points, residuals, weights, jacobian, prior, scatter
    )


def _minimise(
    errors: Errors, start: Array, prior: Array, count: int
) -> tuple[Array, Array, Array, Array, float]:
    if count < LEAST_POINTS:
        raise GeometryError(f"{count} points do not fix a surface against stray ones")
    unknowns = start
    for reach in FALLING_MM:
        residuals, jacobian = errors(unknowns)
        weights = (reach**2 / (reach**2 + residuals**2)) ** 2
        unknowns = unknowns + _step(residuals, jacobian, weights, prior * reach**2, unknowns)
    for _ in range(MOST_STEPS):
        residuals, jacobian = errors(unknowns)
        scatter = _scatter(residuals)
        weights = np.maximum(1.0 - (residuals / (TUKEY * scatter)) ** 2, 0.0) ** 2
        step = _step(residuals, jacobian, weights, prior * scatter**2, unknowns)
        unknowns = unknowns + step
        if float(np.abs(step).max()) < SETTLED_MM:
            break
    residuals, jacobian = errors(unknowns)
    return unknowns, residuals, weights, jacobian, scatter


def _step(residuals: Array, jacobian: Array, weights: Array, prior: Array, at: Array) -> Array:
    normal = jacobian.T @ (weights[:, None] * jacobian) + np.diag(prior)
    # Keeps a direction that the points do not fix where it is.
    normal += 1e-9 * len(residuals) * np.eye(len(normal))
    right = -jacobian.T @ (weights * residuals) - prior * at
    return np.asarray(np.linalg.solve(normal, right), dtype=np.float64)


def _scatter(residuals: Array) -> float:
    """Estimate the standard deviation of the points on the surface, whatever lies beside it.

    The median of all is a first, too large value where many points lie beside; that of the points
    within its reach is nearer, and so on.
    """
    within = np.abs(residuals)
    scatter = max(float(np.median(within)) / NORMAL_MEDIAN, LEAST_SCATTER_MM)
    for _ in range(3):
        near = within[within < 3.0 * scatter]
        if len(near) < LEAST_POINTS:
            break
        scatter = max(float(np.median(near)) / NORMAL_MEDIAN, LEAST_SCATTER_MM)
    return scatter
