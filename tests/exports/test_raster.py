"""Drawing triangles: what they cover, what hides what, and no gap between neighbours."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.exports.pictures.raster import draw

SIZE = (60, 40)
RED, BLUE, BLACK = (1.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.0, 0.0, 0.0)


def drawn(corners, triangles, colours):
    painted = np.repeat(np.array(colours)[:, None, :], 3, axis=1)
    return draw(np.array(corners, float), np.array(triangles, np.int32), painted, SIZE)


def square(left, top, side, nearness):
    return [(left, top, nearness), (left, top + side, nearness),
            (left + side, top + side, nearness), (left + side, top, nearness)]


HALVES = [(0, 1, 2), (0, 2, 3)]


def test_each_pixel_shows_how_much_of_it_is_covered():
    """The mean of a quarter, a half and a whole pixel, to the sample."""
    picture = drawn(square(10.0, 10.0, 5.5, 0.0), HALVES, [BLACK] * 2)[..., 0]
    assert picture[10:15, 10:15].max() == 0
    assert set(picture[10:15, 15]) == set(picture[15, 10:15]) == {128}
    assert picture[15, 15] == 191
    assert (255 - picture.astype(int)).sum() / 255 == pytest.approx(5.5**2, abs=0.1)


def test_a_triangle_covers_its_area():
    """Half of base times height, within what its edges' samples leave open."""
    corners = [(5.3, 3.1, 0.0), (12.7, 36.9, 0.0), (54.2, 20.4, 0.0)]
    (ax, ay), (bx, by), (cx, cy) = (one[:2] for one in corners)
    area = abs((bx - ax) * (cy - ay) - (cx - ax) * (by - ay)) / 2
    picture = drawn(corners, [(0, 1, 2)], [BLACK]).astype(int)
    assert (255 - picture[..., 0]).sum() / 255 == pytest.approx(area, rel=2e-3)


def test_what_turns_away_is_not_drawn():
    assert drawn(square(10, 10, 8, 0.0), [(2, 1, 0), (3, 2, 0)], [BLACK] * 2).min() == 255


@pytest.mark.parametrize("off", [1e-14, 1e-13, 1e-12])
def test_an_edge_that_is_all_but_level_stays_with_its_triangle(off):
    """On the middle of a row of samples, where how far an edge leans cancels out."""
    level = 20.25
    corners = [(10.0, level - off, 0.0), (30.0, level + off, 0.0), (20.0, level + 4.0, 0.0)]
    for triangle in ((0, 1, 2), (0, 2, 1)):
        seen = np.nonzero(drawn(corners, [triangle], [BLACK])[..., 0] < 255)[1]
        assert not len(seen) or (seen.min() >= 10 and seen.max() <= 30)


@pytest.mark.parametrize("turned", [False, True])
def test_the_nearest_is_seen_whichever_comes_first(turned):
    near, far = square(10, 10, 10, 2.0), square(15, 15, 10, 1.0)
    behind = square(12, 12, 10, 0.0)
    squares = [(near, RED), (far, BLUE), (behind, BLACK)]
    corners, triangles, colours = [], [], []
    for shape, colour in reversed(squares) if turned else squares:
        triangles += [tuple(len(corners) + at for at in half) for half in HALVES]
        corners += shape
        colours += [colour] * 2
    picture = drawn(corners, triangles, colours)
    for column, row, seen in ((12, 12, RED), (17, 17, RED), (22, 22, BLUE), (13, 21, BLACK)):
        assert tuple(picture[row, column] / 255) == seen


def test_what_leans_through_another_is_cut_where_they_meet():
    leaning = [(10, 10, -4.0), (10, 20, -4.0), (20, 20, 4.0), (20, 10, 4.0)]
    corners = leaning + square(10, 10, 10, 0.0)
    triangles = [*HALVES, *(tuple(4 + at for at in half) for half in HALVES)]
    picture = drawn(corners, triangles, [RED, RED, BLUE, BLUE])
    assert {tuple(one) for one in picture[12, 10:15]} == {(0, 0, 255)}
    assert {tuple(one) for one in picture[12, 15:20]} == {(255, 0, 0)}


@pytest.mark.parametrize("seed", range(5))
def test_no_gap_between_neighbours(seed):
    """A fan about any point of a square leaves no sample of it white."""
    given = np.random.default_rng(seed)
    x, y = given.uniform(11, 29, 2)
    rim = [(10 + 20 * t, 10) for t in np.sort(given.uniform(0, 1, 9))]
    loop = [(10, 10), *rim, (30, 10), (30, 30), (10, 30)]
    corners = [(x, y, 0.0), *((*one, 0.0) for one in loop)]
    count = len(loop)
    triangles = [(0, 1 + (at + 1) % count, 1 + at) for at in range(count)]
    picture = drawn(corners, triangles, [BLACK] * count)
    assert picture[10:30, 10:30].max() == 0
    assert (255 - picture[..., 0].astype(int)).sum() == 400 * 255
