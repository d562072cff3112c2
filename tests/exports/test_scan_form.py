"""A scanner's form error: how often the stated 95 % holds, by wavelength and size."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from labkit.catalog.lettering import load_lettering
from labkit.core.rod.rods import Hand
from labkit.errors import InputError, RefusedError
from labkit.exports.scan.ends import fit_ends
from labkit.exports.scan.form import factor_within, form_factors
from labkit.exports.scan.measure import measure_scan
from labkit.workflow.inspection.measure import FIT, FORM, measure_file, scan_budget
from tests.support.measured_sets import SCANNER
from tests.support.rods import ROWS, templates
from tests.support.scans import Spoil, fine_mesh, form_error, scan_of

LENGTHS = ("27.4", "36.9", "40.25")
WAVES_MM = (2.0, 4.0, 8.0, 15.0, 30.0)
SIZES_MM = (0.005, 0.02)
#: Noise and patches as in the other campaigns, coarser facets for speed.
SPOIL = Spoil(edge_mm=0.17, posed=False)


def own_seed(form_mm, wave_mm, seed):
    """No two conditions share their noise."""
    return seed, round(1000 * wave_mm), round(1e6 * form_mm)


def scan_with(form_mm, wave_mm, seed):
    row, length = ROWS[seed % len(ROWS)], LENGTHS[seed % len(LENGTHS)]
    own = own_seed(form_mm, wave_mm, seed)
    spoil = SPOIL.but(form_mm=form_mm, wave_mm=wave_mm)
    return scan_of(row, length, spoil, own)


def shares(tmp_path, form_mm, wave_mm, seeds, stated=True):
    """Give the errors of lengths as shares of the stated expanded uncertainty."""
    scanner = replace(SCANNER, form_mm=form_mm)
    if stated:
        scanner = replace(scanner, form_shortest_mm=wave_mm, form_longest_mm=wave_mm)
    found = []
    for seed in seeds:
        scan = scan_with(form_mm, wave_mm, seed)
        path, known = scan.write(tmp_path / "scan.stl"), {scan.row: templates()[scan.row]}
        with suppress(RefusedError):  # a fitting lost in a patch
            scanned = measure_file(path, known, load_lettering(), scanner)
            # Temperature, calibration and repeatability err as well, as the budget says.
            others = [one.u_mm for one in scanned.budget.components if one.name not in (FIT, FORM)]
            random = np.random.default_rng((*own_seed(form_mm, wave_mm, seed), 1))
            error = scanned.measure.length_mm - float(scan.length)
            error += float(np.linalg.norm(others)) * random.normal()
            found.append(error / scanned.budget.expanded_mm())
    assert len(found) >= 0.75 * len(seeds)
    return np.array(found)


def test_a_few_scans_lie_within_what_is_stated(tmp_path):
    """Form error longer than a bore: without it 12 of 20 lengths lay beyond."""
    found = shares(tmp_path, 0.012, 6.0, (1, 4, 7), stated=False)
    assert len(found) >= 2
    assert np.abs(found).max() <= 1.3


def shifted(row, wave_mm, seed):
    """Fit a rod with and without a form error of 0.02 mm: the shift, as predicted, and its term."""
    random = np.random.default_rng(seed)
    vertices, _, normals = fine_mesh(row, "36.9", Hand.MINUS_Y, SPOIL.edge_mm, "")
    near = np.abs(np.abs(vertices[:, 0]) - 36.9 / 2) < 6.0
    # A piece is missing at either end: the fittings are not seen from all sides.
    near &= np.linalg.norm(np.abs(vertices) - random.uniform(0, 3, 3) - [16, 0, 0], axis=1) > 1.5
    vertices, normals = vertices[near], normals[near]
    form, noise = form_error(vertices, 0.02, wave_mm, random), random.normal(0, 0.02, near.sum())
    with_it, without = (
        fit_ends(templates()[row], vertices + normals * errors[:, None], 36.9)
        for errors in (noise + form, noise)
    )
    along = [0, 2] if with_it[0].fit.slopes else [0, 1, 2]
    apart = [np.subtract(ends[1].fit.center, ends[0].fit.center)[along]
             for ends in (with_it, without)]
    unit, predicted = apart[0] / np.linalg.norm(apart[0]), 0.0
    tree = cKDTree(vertices + normals * (noise + form)[:, None])
    for end, sign in zip(with_it, (-1.0, 1.0), strict=True):
        points, change = end.fit.by_errors(10**6)
        sense = -1.0 if end.fitting.surface == "bore" else 1.0
        predicted += sign * sense * float(unit @ change[: len(unit)] @ form[tree.query(points)[1]])
    factors = form_factors((with_it[0].fit, with_it[1].fit), unit, 0.0)
    term = 0.02 * factor_within(factors, wave_mm, wave_mm)[1]
    return float(np.linalg.norm(apart[0]) - np.linalg.norm(apart[1])), predicted, term


@pytest.mark.parametrize("row", ["eye-eye-flat", "ball-ball-round-slim"])
@pytest.mark.parametrize("wave_mm", [4.0, 8.0])
def test_a_form_error_shifts_a_length_as_the_fits_say(row, wave_mm):
    """What the term sums up, a length's derivatives by each point's error, is what happens."""
    for seed in range(2):
        shift, predicted, term = shifted(row, wave_mm, seed)
        assert shift == pytest.approx(predicted, abs=0.05 * term)


@pytest.mark.slow
def test_the_stated_95_percent_holds_for_every_wavelength(tmp_path):
    """In at least 93 % of 400 scans of each condition, and in 94 to 98 % of all.

    Counted once, the pose of flat and round bars known beforehand: 0.02 mm at 2, 4, 8, 15, 30 mm:
    333 of 335, 344 of 356, 355 of 370, 359 of 375, 356 of 367; 0.005 mm at 2, 4, 8, 15, 30 mm:
    345 of 351, 361 of 376, 369 of 380, 357 of 369, 366 of 379; together 3545 of 3658, 96.9 %; the
    rest of the scans were refused, a fitting lost in a patch or too uncertain. At 2 mm the
    fit's own scatter shows the waves as well, so that they count twice.
    """
    every = []
    for size in SIZES_MM:
        for wave in WAVES_MM:
            found = shares(tmp_path, size, wave, range(400))
            inside = float((np.abs(found) <= 1.0).mean())
            print(f"{1000 * size:.0f} µm, {wave} mm: {len(found)} scans, {inside:.3f} inside")
            assert inside >= 0.93
            every.append(found)
    pooled = float((np.abs(np.concatenate(every)) <= 1.0).mean())
    print(f"pooled: {pooled:.3f}")
    assert 0.94 <= pooled <= 0.98


def test_the_worst_wavelength_counts_unless_one_is_stated(tmp_path):
    scan = scan_of("eye-eye-flat", "36.9", SPOIL.but(missing=0.0), 3)
    known, parts = {"eye-eye-flat": templates()["eye-eye-flat"]}, {}
    measure = measure_scan(scan.write(tmp_path / "scan.stl"), known, load_lettering())
    for waves in ((0.5, 100.0), (30.0, 30.0)):
        scanner = replace(
            SCANNER, form_mm=0.01, form_shortest_mm=waves[0], form_longest_mm=waves[1]
        )
        budget = scan_budget(measure, known["eye-eye-flat"], scanner, None)
        (parts[waves],) = (one for one in budget.components if one.name == FORM)
    assert parts[30.0, 30.0].u_mm < 0.5 * parts[0.5, 100.0].u_mm
    assert "waves of 0.5 to 100 mm: worst at 4 mm, times 0.9" in parts[0.5, 100.0].basis


def test_a_wave_between_two_is_taken_in_proportion():
    assert factor_within(((1.0, 0.2), (4.0, 1.2), (16.0, 0.4)), 8.0, 9.0)[0] == 8.0


def test_wavelengths_the_wrong_way_round_are_refused():
    with pytest.raises(InputError, match="form_shortest_mm of instrument desk-scanner must not be"):
        replace(SCANNER, form_shortest_mm=9.0, form_longest_mm=8.0)
