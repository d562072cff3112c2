"""Synthetic scans of every template row: length, stated uncertainty, label, refusals."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import pytest
from scipy.special import stdtrit
from scipy.stats import binom

from labkit.catalog.lettering import load_lettering
from labkit.core.rod.rods import Hand
from labkit.errors import RefusedError
from labkit.exports.scan.measure import MOST_U_MM, USUAL_U_MM, measure_scan
from tests.support.rods import ROWS, templates
from tests.support.scans import ALL_AT_ONCE, CLEAN, Spoil, binary_stl, scan_of

#: Half of them can be misread upside down and bear a bar.
LENGTHS = ("27.4", "36.9", "21.0", "40.25", "28.9", "33.1", "50.8", "36.5")
#: The issue's own limit at a noise of 0.02 mm.
MOST_ERROR_MM = 0.01
#: Longest edge where few scans are made: coarser facets are quicker.
EDGE_MM = 0.15
#: What may happen to a scan, at the issue's noise of 0.02 mm unless it says otherwise.
SPOILS = {
    "all at once": ALL_AT_ONCE,
    "noise 0.01": ALL_AT_ONCE.but(noise_mm=0.01),
    "noise 0.03": ALL_AT_ONCE.but(noise_mm=0.03),
    "decimated": ALL_AT_ONCE.but(cell_mm=0.2),
    "neighbours err alike within 0.1 mm": ALL_AT_ONCE.but(correlation_mm=0.1),
    "neighbours err alike within 0.2 mm": ALL_AT_ONCE.but(correlation_mm=0.2),
    "neighbours err alike within 0.5 mm": ALL_AT_ONCE.but(correlation_mm=0.5),
    "large patches missing": ALL_AT_ONCE.but(patch_mm=4.0),
    "little missing": ALL_AT_ONCE.but(missing=0.05),
}
#: White noise at the vertices, up to 0.02 mm: the limit of 0.01 mm holds for every scan.
WHITE = ("all at once", "noise 0.01", "decimated", "little missing", "large patches missing")


def measured(tmp_path, scan, names=None, most_u_mm=USUAL_U_MM):
    chosen = {name: templates()[name] for name in names or (scan.row,)}
    return measure_scan(scan.write(tmp_path / "scan.stl"), chosen, load_lettering(), most_u_mm)


@dataclass
class Campaign:
    """What came of many scans."""

    white: bool
    errors: list = field(default_factory=list)
    shares: list = field(default_factory=list)
    labels: Counter = field(default_factory=Counter)
    refused: list = field(default_factory=list)

    def run(self, tmp_path, spoil, seeds, rows=ROWS):
        for row in rows:
            for seed in seeds:
                self.one(tmp_path, spoil, row, seed)
        return self

    def one(self, tmp_path, spoil, row, seed):
        hand = Hand.PLUS_Y if seed % 2 else Hand.MINUS_Y
        # No two rows share their noise and holes: the errors are then independent.
        own = 100 * seed + ROWS.index(row)
        scan = scan_of(row, LENGTHS[seed % len(LENGTHS)], spoil, own, hand)
        try:
            # Where neighbours err alike, or the noise is higher, more is allowed: the stated
            # uncertainty is what is looked at there.
            most = USUAL_U_MM if self.white else MOST_U_MM
            found = measured(tmp_path, scan, most_u_mm=most)
        except RefusedError as error:
            self.refused.append(str(error))
            return
        error = found.length_mm - float(scan.length)
        self.errors.append(error)
        self.shares.append(error / (found.u_mm * float(stdtrit(found.dof, 0.975))))
        label = found.label
        if not label.text:
            assert label.problem
            self.labels["not read"] += 1
            return
        right = label.engraving == scan.label
        if templates()[row].handed:
            right &= label.inward_y == scan.hand.inward_y
        self.labels["right" if right else f"wrong: {label.engraving} for {scan.label}"] += 1

    @property
    def worst_mm(self):
        return float(np.abs(self.errors).max())

    def must_hold(self):
        known = ("% of", "next to", "too coarse")
        assert [why for why in self.refused if not any(each in why for each in known)] == []
        assert set(self.labels) <= {"right", "not read"}
        if self.white:
            assert self.worst_mm <= MOST_ERROR_MM
        # 95 % are promised; fewer than this happen once in a thousand campaigns.
        inside = int((np.abs(self.shares) <= 1.0).sum())
        assert inside >= binom.ppf(0.001, len(self.shares), 0.95)


@pytest.mark.parametrize(
    ("spoil", "seeds"),
    [("all at once", (1,)),
     pytest.param("neighbours err alike within 0.2 mm", (3,), marks=pytest.mark.slow)],
)
def test_every_template_row(tmp_path, spoil, seeds):
    result = Campaign(spoil in WHITE).run(tmp_path, SPOILS[spoil].but(edge_mm=EDGE_MM), seeds)
    assert len(result.errors) >= 3 * len(seeds)  # patches take some a fitting
    result.must_hold()


@pytest.mark.slow
@pytest.mark.parametrize("spoil", SPOILS)
def test_hundreds_of_scans(tmp_path, spoil):
    result = Campaign(spoil in WHITE).run(tmp_path, SPOILS[spoil], range(16))
    print(
        spoil, len(result.errors), "scans, worst", round(1000 * result.worst_mm, 1), "µm, inside",
        np.mean(np.abs(result.shares) <= 1.0), dict(result.labels), len(result.refused), "refused",
    )
    # Patches as wide as a whole end take every second rod a fitting.
    assert len(result.errors) >= (40 if "large" in spoil else 60)
    result.must_hold()
    if spoil == "little missing":
        assert result.labels["right"] >= 20


def middle(limits):
    """Fittings are built in the middle of their limits."""
    return float(limits.least_mm + limits.most_mm) / 2.0


@pytest.mark.parametrize(
    "row", [*ROWS[::2], *(pytest.param(row, marks=pytest.mark.slow) for row in ROWS[1::2])]
)
def test_whole_scans_are_read_and_told_apart(tmp_path, row):
    """Nothing missing: label and template come out, of all templates."""
    scan = scan_of(row, "36.9", Spoil(missing=0.0, stubs=3, edge_mm=EDGE_MM), 5, Hand.PLUS_Y)
    found = measured(tmp_path, scan, ROWS)
    assert found.template == row
    assert found.label.engraving == scan.label
    assert found.length_mm == pytest.approx(36.9, abs=MOST_ERROR_MM)
    assert found.lower.diameter_mm == pytest.approx(middle(found.lower.limits), abs=0.01)
    assert found.noise_mm == pytest.approx(0.02, rel=0.1)
    assert found.missing < 0.05


@pytest.mark.parametrize("row", ROWS[::2])
def test_a_drawn_part_measures_as_drawn(tmp_path, row):
    """The program's own STL, whose points lie on the walls' rims alone."""
    scan = scan_of(row, "27.4", CLEAN.but(edge_mm=50.0, posed=True), 4)
    found = measured(tmp_path, scan)
    assert found.length_mm == pytest.approx(27.4, abs=2e-4)
    assert found.upper.diameter_mm == pytest.approx(float(found.upper.limits.middle_mm), abs=2e-3)
    assert found.label.engraving == scan.label


def test_the_pose_is_where_the_rod_lies(tmp_path):
    scan = scan_of("crosspin-eye-flat", "33.6", Spoil(missing=0.1, edge_mm=EDGE_MM), 7)
    found = measured(tmp_path, scan)
    points = scan.corners.reshape(-1, 3)
    local = (points - found.place_mm) @ np.array(found.turn).T
    # The pin stands on the inward face, −y, at the lower end; the eye's boss ends the upper one.
    assert local[:, 1].min() == pytest.approx(-1.5 - 3.5 - 1.0, abs=0.1)
    assert local[local[:, 1] < -2.0][:, 0].max() == pytest.approx(-33.6 / 2 + 2.1, abs=0.15)
    assert local[:, 0].max() == pytest.approx(33.6 / 2 + 3.75, abs=0.1)


FLAT = Spoil(missing=0.0, posed=False, edge_mm=EDGE_MM)


@cache
def whole(row):
    return scan_of(row, "33.6", FLAT, 1).corners


def part_of(keep, row="eye-eye-flat"):
    corners = whole(row)
    x, y, z = corners.mean(axis=1).T
    return corners[keep(x, y, z)]


def refused(tmp_path, corners, names=ROWS):
    path = tmp_path / "scan.stl"
    path.write_bytes(binary_stl(corners))
    chosen = {name: templates()[name] for name in names}
    with pytest.raises(RefusedError) as caught:
        measure_scan(path, chosen, load_lettering())
    return str(caught.value)


def test_half_a_rod_is_enough(tmp_path):
    path = tmp_path / "scan.stl"
    path.write_bytes(binary_stl(part_of(lambda _x, _y, z: z > 0.0)))
    known = {"eye-eye-flat": templates()["eye-eye-flat"]}
    found = measure_scan(path, known, load_lettering())
    assert found.length_mm == pytest.approx(33.6, abs=MOST_ERROR_MM)
    assert found.missing == pytest.approx(0.5, abs=0.06)
    assert not found.label.text
    assert "% in the scan" in found.label.problem


@pytest.mark.parametrize(
    ("unit", "factor"), [(1 / 25.4, "inches"), (0.001, "metres")]
)
def test_other_units_are_named(tmp_path, unit, factor):
    corners = part_of(lambda x, _y, _z: x < 99.0)
    why = refused(tmp_path, corners * unit)
    assert f"written in {factor}, not in millimetres" in why
    assert "eye-eye-flat, 33.6 mm long" in why


@pytest.mark.parametrize(
    ("corners", "names", "why"),
    [
        (lambda: part_of(lambda x, _y, _z: x < 14.0), ("eye-eye-flat",),
         "the bore at one end cannot be measured"),
        (lambda: part_of(lambda x, _y, z: (x > -13.5) | (z < -1.0), "crosspin-eye-flat"),
         ("crosspin-eye-flat",), "the pin at the lower end cannot be measured"),
        (lambda: part_of(lambda x, _y, _z: x < 99.0), ("crosspin-eye-flat",),
         "the pin at the lower end cannot be measured as that of crosspin-eye-flat"),
        (lambda: part_of(lambda x, _y, _z: x < 99.0), ("ball-ball-round",), "explains"),
        (lambda: scan_of("eye-eye-flat", "33.6", FLAT.but(noise_mm=0.2), 1).corners,
         ("eye-eye-flat",), "too noisy"),
        (lambda: scan_of("eye-eye-flat", "33.6", FLAT.but(cell_mm=0.3), 1).corners,
         ("eye-eye-flat",), "too coarse: its points on the bore at the lower end lie 0.3"),
        (lambda: scan_of("ball-ball-round", "33.6", FLAT.but(cell_mm=0.35), 1).corners,
         ("ball-ball-round",), "too coarse"),
        (lambda: scan_of("eye-eye-flat", "33.6", FLAT.but(form_mm=0.06, wave_mm=2.5), 1).corners,
         ("eye-eye-flat",), "fixes the length only to"),
        (lambda: np.concatenate([part_of(lambda x, _y, _z: x < 99.0),
                                 part_of(lambda x, _y, _z: x < 99.0) - [0.0, 0.0, 15.0]]),
         ("eye-eye-flat",), "two rods"),
    ],
    ids=[
        "end cut", "pin cut", "other template", "other family", "noise", "coarse", "coarse balls",
        "waves", "two",
    ],
)
def test_what_cannot_be_measured_says_why(tmp_path, corners, names, why):
    assert why in refused(tmp_path, corners(), names)


def test_templates_that_fit_equally_are_both_named(tmp_path):
    from dataclasses import replace

    known = templates()["eye-eye-flat"]
    twin, path = replace(known, name="twin"), tmp_path / "scan.stl"
    path.write_bytes(binary_stl(whole("eye-eye-flat")))
    with pytest.raises(RefusedError, match="eye-eye-flat, twin equally"):
        measure_scan(path, {"eye-eye-flat": known, "twin": twin}, load_lettering())


def test_a_label_that_contradicts_the_length_is_told(tmp_path):
    path = tmp_path / "scan.stl"
    path.write_bytes(binary_stl(part_of(lambda x, _y, _z: x < 99.0) * 1.02))
    known = {"eye-eye-flat": templates()["eye-eye-flat"]}
    found = measure_scan(path, known, load_lettering())
    assert [finding.code for finding in found.findings if "label" in finding.code] == [
        "label_contradicts"
    ]


def test_a_mirrored_scan_is_told(tmp_path):
    """A scan saved mirror-inverted: 33.6 seen in a mirror is no label."""
    path = tmp_path / "scan.stl"
    path.write_bytes(binary_stl(part_of(lambda x, _y, _z: x < 99.0) * [1.0, 1.0, -1.0]))
    known = {"eye-eye-flat": templates()["eye-eye-flat"]}
    found = measure_scan(path, known, load_lettering())
    assert (found.label.text, found.mirrored) == ("", "33.6")
    assert found.length_mm == pytest.approx(33.6, abs=MOST_ERROR_MM)
    (fault,) = found.faults
    assert fault.startswith("the scan is mirrored: its label reads 33.6 in a mirror; look at the")


def bent(points):
    """Bow the bar by 0.8 mm: what lies far from the nominal surface was taken for a second rod."""
    points[..., 1] += 0.8 * (1.0 - (points[..., 0] / 17.0) ** 2)


def twisted(points):
    turn = np.radians(6.0) * points[..., 0] / 33.6
    y, z = points[..., 1].copy(), points[..., 2].copy()
    points[..., 1] = y * np.cos(turn) - z * np.sin(turn)
    points[..., 2] = y * np.sin(turn) + z * np.cos(turn)


def oval(points):
    """Stretch the lower bore by 0.04 mm along and press it by as much across."""
    x, z = points[..., 0] + 16.8, points[..., 2]
    factor = 1.0 + np.where(np.hypot(x, z) < 2.0, 0.04 / 1.25, 0.0) * np.cos(2 * np.arctan2(z, x))
    points[..., 0], points[..., 2] = factor * x - 16.8, factor * z


@pytest.mark.parametrize(
    ("spoilt", "told"),
    [
        (bent, "the rod is bent: its bar is straight within 0."),
        (twisted, "the rod is twisted by 4"),
        (oval, "the bore at the lower end is oval: 2.4"),
    ],
)
def test_the_true_cause_is_named(tmp_path, spoilt, told):
    corners = part_of(lambda x, _y, _z: x < 99.0)
    spoilt(corners)
    path = tmp_path / "scan.stl"
    path.write_bytes(binary_stl(corners))
    known = {"eye-eye-flat": templates()["eye-eye-flat"]}
    found = measure_scan(path, known, load_lettering())
    (fault,) = found.faults
    assert fault.startswith(told)
    assert found.length_mm == pytest.approx(33.6, abs=MOST_ERROR_MM)
