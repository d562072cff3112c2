"""The depth picture against a slow ray by ray computation."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.exports.check.depth_picture import Window, as_seen, depth_picture
from labkit.exports.check.stl_reader import FacetMesh


def slow(mesh: FacetMesh, window: Window) -> np.ndarray:
    """One ray a pixel, one facet after the other, by barycentric coordinates."""
    picture = np.full((window.rows, window.columns), -np.inf)
    middles = window.left_mm + (np.arange(window.columns) + 0.5) * window.pixel_mm
    for corners, cross in zip(
        as_seen(mesh.corners, window.toward_y), mesh.crosses, strict=True
    ):
        if window.toward_y * cross[1] <= 0:
            continue
        system = np.vstack([corners[:, 0], corners[:, 1], np.ones(3)])
        for row, up in enumerate(window.up_mm()):
            for column, right in enumerate(middles):
                share = np.linalg.solve(system, [right, up, 1.0])
                if share.min() >= 0:
                    near = float(share @ corners[:, 2])
                    picture[row, column] = max(picture[row, column], near)
    return picture


@pytest.mark.parametrize("toward_y", [-1, 1])
@pytest.mark.parametrize("seed", range(3))
def test_against_rays(seed, toward_y):
    random = np.random.default_rng(seed)
    vertices = random.uniform(-3, 3, (12, 3))
    triangles = np.array([random.permutation(12)[:3] for _ in range(15)])
    mesh = FacetMesh(vertices, triangles.astype(np.int32))
    window = Window(toward_y, -1.7, -1.9, 0.231, 17, 13)
    fast, rays = depth_picture(mesh, window), slow(mesh, window)
    assert np.isfinite(rays).any()
    assert np.array_equal(np.isfinite(fast), np.isfinite(rays))
    seen = np.isfinite(rays)
    assert fast[seen] == pytest.approx(rays[seen], abs=1e-9)


def test_shared_edges_leave_no_gap():
    corners = np.array([[-1.0, 0, -1], [1, 0, -1], [1, 0, 1], [-1, 0, 1], [0, 0, 0]])
    fan = FacetMesh(corners, np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]]))
    # Pixel middles lie exactly on the diagonals.
    picture = depth_picture(fan, Window(-1, -1.0, -1.0, 0.1, 20, 20))
    assert np.array_equal(picture, np.zeros((20, 20)))


def test_level_edges_on_the_middles_of_pixels():
    """A trapezium of two facets, its level edges exactly on rows 2 and 7."""
    up = -1.0 + 0.2 * np.array([2.5, 2.5, 7.5, 7.5])
    right = np.array([-0.7, 0.7, 0.3, -0.3])
    corners = np.column_stack([right, np.full(4, -0.25), up])
    mesh = FacetMesh(corners, np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32))
    picture = depth_picture(mesh, Window(-1, -1.0, -1.0, 0.2, 10, 10))
    seen = np.isfinite(picture)
    assert seen.sum(axis=1).tolist() == [0, 0, 8, 6, 6, 4, 4, 4, 0, 0]
    assert picture[seen] == pytest.approx(0.25)


def test_nothing_there():
    mesh = FacetMesh(np.zeros((3, 3)), np.array([[0, 1, 2]]))
    assert not np.isfinite(depth_picture(mesh, Window(1, 5.0, 5.0, 0.1, 4, 4))).any()
