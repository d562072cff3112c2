"""Rotation vectors: the matrix and its exact left Jacobian, batched."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Below this angle (θ − sin θ)/θ³ is summed as a series: the difference would lose digits,
#: and five terms are exact to 1e-16 there.
_SERIES_BELOW_RAD = 0.25


def skew(vectors: Floats) -> Floats:
    """Give the matrices K with K x = v × x.

    Args:
        vectors: Shape (N, 3).

    Returns:
        Shape (N, 3, 3).
    """
    matrices = np.zeros((*vectors.shape, 3))
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    matrices[..., 0, 1], matrices[..., 0, 2] = -z, y
    matrices[..., 1, 0], matrices[..., 1, 2] = z, -x
    matrices[..., 2, 0], matrices[..., 2, 1] = -y, x
    return matrices


def cross(first: Floats, second: Floats) -> Floats:
    """Give first × second along the last axis (several times quicker than numpy's own).

    Args:
        first: Vectors, shape (…, 3).
        second: Vectors, shape (…, 3).

    Returns:
        The vector products, shape (…, 3).
    """
    ax, ay, az = first[..., 0], first[..., 1], first[..., 2]
    bx, by, bz = second[..., 0], second[..., 1], second[..., 2]
    return np.stack((ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx), axis=-1)


def rotations(vectors: Floats) -> tuple[Floats, Floats]:
    """Give the rotation matrices of rotation vectors and their left Jacobians.

    Formula: R = I + (sin θ/θ) K + ((1 − cos θ)/θ²) K²,
    J = I + ((1 − cos θ)/θ²) K + ((θ − sin θ)/θ³) K², K the skew matrix of ω, θ = |ω|;
    R(ω + δ) = exp(J δ) R(ω) to first order in δ.

    Args:
        vectors: Rotation vectors, right-handed, rad, shape (N, 3).

    Returns:
        R and J, each of shape (N, 3, 3).

    Validity: any finite vectors.

    >>> matrix, jacobian = rotations(np.array([[0.0, 0.0, np.pi / 2]]))
    >>> np.allclose(matrix[0] @ [1.0, 0.0, 0.0], [0.0, 1.0, 0.0])
    True

    Source: O. Rodrigues, 1840; J. Solà et al., "A micro Lie theory", arXiv:1812.01537,
    equation 145 (number from memory).
    """
    angle = np.sqrt((vectors * vectors).sum(axis=-1))[..., None, None]
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.sinc(angle / (2.0 * np.pi)) ** 2  # (1 − cos θ)/θ² without cancellation
    matrix = skew(vectors)
    squared = matrix @ matrix
    unit = np.eye(3)
    rotation = unit + first * matrix + second * squared
    return rotation, unit + second * matrix + _third(angle) * squared


def _third(angle: Floats) -> Floats:
    """(θ − sin θ)/θ³, even at θ = 0."""
    square = angle * angle
    series = 1 / 6 - square / 120 * (
        1 - square / 42 * (1 - square / 72 * (1 - square / 110))
    )
    large = np.maximum(angle, _SERIES_BELOW_RAD)
    closed = (large - np.sin(large)) / large**3
    result: Floats = np.where(angle < _SERIES_BELOW_RAD, series, closed)
    return result
