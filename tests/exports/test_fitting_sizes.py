"""Fittings on the written mesh: what gauge pins and jaws meet there, against the size to be had."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.exports.check.stl_reader import read_stl
from tests.support.rods import ROWS, rod_of, written


def across(points, edges):
    """Give twice the least distance of a polygon's sides, and the greatest of its corners."""
    a, b = points[edges[:, 0]], points[edges[:, 1]]
    share = np.clip(-(a * (b - a)).sum(axis=1) / ((b - a) ** 2).sum(axis=1), 0.0, 1.0)
    nearest = np.linalg.norm(a + share[:, None] * (b - a), axis=1)
    return 2 * nearest.min(), 2 * np.linalg.norm(a, axis=1).max()


@pytest.mark.parametrize("row", [row for row in ROWS if "flat" in row])
def test_a_bore_or_pin_is_a_polygon_of_the_size_to_be_had_for_pins_and_jaws_alike(row, tmp_path):
    """The circle within the flats is what a go pin enters, that over the corners what jaws touch.

    Both lie within 0.001 mm of the middle of the fitting's limits.
    """
    rod = rod_of(row, "33.6")
    mesh = read_stl(written(rod, tmp_path).stl)
    for sense, fitting in ((-1, rod.template.lower), (1, rod.template.upper)):
        wall = np.abs(mesh.normals[:, 1]) < 1e-3
        points = mesh.vertices[:, [0, 2]] - (sense * 33.6 / 2, 0.0)
        near = np.abs(np.linalg.norm(points, axis=1) - fitting.aim_mm / 2) < 2e-5
        wall &= near[mesh.triangles].all(axis=1)
        sides = mesh.triangles[wall]
        edges = np.concatenate([sides[:, [0, 1]], sides[:, [1, 2]], sides[:, [2, 0]]])
        edges = edges[np.linalg.norm(points[edges[:, 0]] - points[edges[:, 1]], axis=1) > 1e-3]
        low, high = across(points, edges)
        assert high == pytest.approx(fitting.aim_mm, abs=1e-5)
        assert fitting.aim_mm - 0.001 <= low < fitting.aim_mm
        assert float(fitting.limits.middle_mm) == pytest.approx(fitting.aim_mm)
