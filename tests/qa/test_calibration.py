"""Calibration: the known truth comes back, its intervals hold, rods come out at nominal."""

from __future__ import annotations

import math
from decimal import Decimal

import numpy as np
import pytest

from labkit.core.rod.compensation import compensated
from labkit.core.rod.rods import Compensation
from labkit.qa.process.calibration import between_lots, fit_lengths, fit_offset
from labkit.qa.process.calibration_limits import limits_of_use, suspects, too_few
from labkit.qa.process.coupons import Coupon, Diameter, read_coupons
from labkit.qa.uncertainty import coverage_factor
from tests.support.coupons import coupon_csv, lengths_made
from tests.support.rods import templates

PRESENT = Compensation(length_scale=1.0012, length_offset_mm=0.01, bore_offset_mm=0.06)


def coupons(present=PRESENT, **how):
    return read_coupons(coupon_csv(present, **how), "coupons.csv")


def codes(findings):
    return [(finding.code, str(finding.severity)) for finding in findings]


def test_without_scatter_the_compensation_is_the_inverse_of_the_machine():
    """measured = −0.02 + 0.997 built, so that built = (length + 0.02) / 0.997."""
    fit = fit_lengths(coupons(sd=0, decimals=9), PRESENT)
    assert fit.scale == pytest.approx(1 / 0.997, abs=1e-9)
    assert fit.offset_mm == pytest.approx(0.02 / 0.997, abs=1e-8)
    assert fit.distortion.significant
    assert fit.correction.significant


@pytest.mark.parametrize("present", [Compensation(), PRESENT, Compensation(0.99, -0.1)])
def test_what_was_built_with_does_not_matter_for_what_is_found(present):
    """A machine is what it is: other compensations of the same coupons give the same answer."""
    fit = fit_lengths(coupons(present, sd=0, decimals=9), present)
    assert (fit.scale, fit.offset_mm) == pytest.approx((1 / 0.997, 0.02 / 0.997), abs=1e-7)


def test_rods_built_with_the_new_compensation_come_out_at_nominal():
    fit = fit_lengths(coupons(each=10), PRESENT)
    new = Compensation(fit.scale, fit.offset_mm)
    for text in ("20.0", "33.6", "50.0"):
        length = Decimal(text)
        built = compensated(templates()["eye-eye-flat"], length, new).length_mm
        made = lengths_made([built], np.random.default_rng(0), sd=0)[0]
        assert abs(made - float(length)) < fit.half_width_mm(float(length)) < 0.01


def coverage(truth, runs):
    """Share of 95 % intervals that hold the truth, for scale, offset and two built lengths."""
    held = np.zeros(4)
    for seed in range(runs):
        fit = fit_lengths(coupons(seed=seed, each=3, decimals=6), PRESENT)
        t, (scale, offset) = coverage_factor(fit.fit.dof), truth
        held += [
            abs(fit.scale - scale) <= t * fit.scale_u,
            abs(fit.offset_mm - offset) <= t * fit.offset_u_mm,
            *(
                abs(fit.scale * at + fit.offset_mm - (scale * at + offset))
                <= fit.half_width_mm(at)
                for at in (20.0, 36.0)
            ),
        ]
    return held / runs


def test_intervals_hold_the_truth_in_95_of_100():
    runs = 400
    error = 3.3 * math.sqrt(0.95 * 0.05 / runs)  # binomial, for four comparisons
    assert coverage((1 / 0.997, 0.02 / 0.997), runs) == pytest.approx(0.95, abs=error)


@pytest.mark.slow
def test_intervals_hold_the_truth_in_95_of_100_closely():
    runs = 8000
    error = 3.3 * math.sqrt(0.95 * 0.05 / runs)
    assert coverage((1 / 0.997, 0.02 / 0.997), runs) == pytest.approx(0.95, abs=error)


def test_uncertainties_agree_with_the_spread_of_simulated_fits():
    """The delta method against brute force: the machine is calibrated anew 300 times."""
    fits = [fit_lengths(coupons(seed=s, decimals=6), PRESENT) for s in range(300)]
    found = np.array([(fit.scale, fit.offset_mm) for fit in fits])
    told = np.array([(fit.scale_u, fit.offset_u_mm) for fit in fits])
    assert found.std(axis=0, ddof=1) == pytest.approx(
        np.sqrt((told**2).mean(axis=0)), rel=0.12  # a standard deviation from 300 is known to 4 %
    )
    correlation = np.corrcoef(found.T)[0, 1]
    assert np.mean([fit.correlation for fit in fits]) == pytest.approx(correlation, abs=0.02)


def test_uncertainties_far_from_a_scale_of_one():
    """Coupons drawn at half their size, so that b is about 2: the derivatives taken by steps."""
    fit = fit_lengths(coupons(), Compensation(0.5, 0.2))
    line = np.array(fit.fit.coefficients)

    def turned(a, b):
        return np.array([1 / b, -a / b])

    assert (fit.scale, fit.offset_mm) == pytest.approx(tuple(turned(*line)))
    steps = np.array([1e-5, 1e-6])
    slopes = np.column_stack([
        (turned(*(line + step)) - turned(*(line - step))) / (2 * step.sum())
        for step in np.diag(steps)
    ])
    covariance = slopes @ np.array(fit.fit.covariance) @ slopes.T
    assert (fit.scale_u, fit.offset_u_mm) == pytest.approx(
        tuple(np.sqrt(np.diag(covariance))), rel=1e-6)
    assert fit.correlation == pytest.approx(
        covariance[0, 1] / (fit.scale_u * fit.offset_u_mm), rel=1e-6)


def test_the_interval_of_a_built_length_is_fiellers_to_a_part_in_a_thousand():
    """Fieller's exact interval for (L − a)/b, a second road to the same number.

    Source: E. C. Fieller, J. R. Statist. Soc. B 16 (1954) 175 (from memory).
    """
    fit = fit_lengths(coupons(), PRESENT)
    (a, b), ((vaa, vab), (_, vbb)) = fit.fit.coefficients, fit.fit.covariance
    t2 = coverage_factor(fit.fit.dof) ** 2
    for length in (20.0, 35.0, 50.0):
        # (L − a − b x)² = t² (vaa + 2 x vab + x² vbb), a quadratic in x
        roots = np.roots([
            b * b - t2 * vbb, -2 * (b * (length - a) + t2 * vab), (length - a) ** 2 - t2 * vaa
        ])
        half = float(abs(roots[0] - roots[1])) / 2
        assert fit.half_width_mm(length) == pytest.approx(half, rel=1e-3)


def test_offset_of_bores_from_numbers_worked_out_by_hand():
    """Built 2.56, made 2.47 on average: 0.09 too small, so that 0.06 becomes 0.09 more: 0.09."""
    sizes = [(Decimal("2.5"), Decimal(text)) for text in ("2.46", "2.48", "2.47", "2.47", "2.47")]
    found = fit_offset(sizes, 0.06)
    assert found.offset_mm == pytest.approx(0.09, abs=1e-12)
    assert found.sd_mm == pytest.approx(math.sqrt(2 * 0.01**2 / 4), rel=1e-12)
    assert found.u_mm == pytest.approx(found.sd_mm / math.sqrt(5), rel=1e-12)
    assert found.dof == 4


@pytest.mark.parametrize(
    ("how", "code"),
    [
        ({"lengths": (20, 50)}, "too_few_lengths"),
        ({"lengths": (20, 30, 40), "each": 1}, "too_few_coupons"),
        ({"lengths": (20, 25, 30, 35, 40, 45), "each": 1}, "too_few_coupons"),
        ({"lengths": (30, 33, 36)}, "too_narrow"),
    ],
)
def test_too_few_or_too_narrow_coupons_are_refused(how, code):
    assert (code, "refused") in codes(too_few(coupons(**how)))


def test_enough_coupons_are_not_refused():
    assert too_few(coupons()) == ()
    assert too_few(coupons(lengths=(20, 30, 40), each=2)) == ()


def test_scatter_that_leaves_the_line_unsure_is_refused_at_the_ends():
    fit = fit_lengths(coupons(sd=0.08, each=3), PRESENT)
    found = limits_of_use(fit, None)
    assert ("too_unsure", "refused") in codes(found)
    assert fit.half_width_mm(20.0) > 0.025  # a quarter of ± 0.1 mm, class f from 6 to 30 mm
    assert codes(limits_of_use(fit_lengths(coupons(), PRESENT), None)) == []


def bent(depth_mm):
    """Coupons of a machine that bends the line by this at its middle."""
    return tuple(
        Coupon(c.name, c.nominal_mm,
               c.measured_mm + Decimal(repr(round(depth_mm * (1 - ((float(c.nominal_mm) - 35) / 15)
                                                              ** 2), 6))))
        for c in coupons()
    )


def test_a_bend_is_refused_where_it_matters_and_noted_where_it_does_not():
    large = fit_lengths(bent(0.06), PRESENT)
    assert large.lack is not None
    assert large.lack.p < 0.001
    assert large.bend.p < 0.001
    assert codes(limits_of_use(large, None)) == [("lack_of_fit", "refused")]
    assert codes(limits_of_use(large, Decimal("1.0"))) == [("lack_of_fit", "note")]


def test_a_coupon_that_stands_out_is_named_and_none_is_in_good_files():
    good = coupons()
    assert suspects(good, PRESENT) == ()
    wrong = tuple(
        Coupon(c.name, c.nominal_mm, c.measured_mm + (Decimal("0.09") if c.name == "7" else 0))
        for c in good
    )
    (found,) = suspects(wrong, PRESENT)
    assert (found.name, found.what) == ("7", "length")
    assert found.off_mm == pytest.approx(0.09, abs=0.03)


def test_a_wrong_bore_stands_out_too():
    sizes = [2.47, 2.48, 2.46, 2.47, 2.47, 2.70, 2.47, 2.48, 2.46, 2.47]
    own = tuple(
        Coupon(c.name, c.nominal_mm, c.measured_mm, (),
               {"bore": Diameter(Decimal("2.5"), Decimal(str(size)))})
        for c, size in zip(coupons(each=3), sizes, strict=False)
    )
    assert [(s.name, s.what) for s in suspects(own, PRESENT)] == [("6", "bore")]


def test_good_files_are_asked_about_no_more_often_than_stated():
    """1 of 100 asked about; 1.1 of 100 refused for a bend that is not there (1500 files)."""
    runs, asked, refused = 200, 0, 0
    for seed in range(runs):
        good = coupons(seed=seed, decimals=3)
        asked += bool(suspects(good, PRESENT))
        refused += ("lack_of_fit", "refused") in codes(
            limits_of_use(fit_lengths(good, PRESENT), None)
        )
    assert asked <= 0.01 * runs + 3 * math.sqrt(0.01 * runs)
    assert refused <= 0.011 * runs + 3 * math.sqrt(0.011 * runs)


def test_a_bend_that_chance_may_make_is_noted_and_not_refused():
    """Coupons that scatter widely: one file in 20 looks bent by more than a tenth of ± 0.1."""
    seen = set()
    for seed in range(60):
        fit = fit_lengths(coupons(seed=seed, sd=0.03, decimals=4), PRESENT)
        chance = min(fit.bend.p, fit.lack.p)
        if 0.01 < chance < 0.05 and fit.bend_mm > 0.01:
            seen |= set(codes(limits_of_use(fit, Decimal("0.1"))))
    assert ("lack_of_fit", "note") in seen
    assert ("lack_of_fit", "refused") not in seen


@pytest.mark.parametrize(
    ("sd", "decimals", "told"),
    [(0.01, 1, True), (0.01, 2, False), (0.06, 1, False)],
    ids=["coarse", "fine", "scatter evens out"],
)
def test_steps_that_the_scatter_does_not_even_out_are_refused(sd, decimals, told):
    """0.1 mm steps hide up to 0.05 mm of a length; beside ± 0.15 mm that is too much."""
    fit = fit_lengths(coupons(sd=sd, decimals=decimals, each=12), PRESENT)
    found = codes(limits_of_use(fit, Decimal("0.15")))
    assert (("coarse_steps", "refused") in found) is told


def test_steps_are_held_against_the_narrowest_tolerance_of_the_range():
    """From 20 to 50 mm, class f: ± 0.1 mm up to 30 mm and ± 0.15 mm beyond. Steps of 0.06 mm
    hide 0.03 mm, more than a quarter of the first and less than one of the second."""
    six = Decimal("0.06")

    def told(*lengths):
        stepped = []
        for c in coupons(sd=0.01, each=12, lengths=lengths):
            read = (c.measured_mm / six).to_integral_value() * six
            stepped.append(Coupon(c.name, c.nominal_mm, read, (read,)))
        return codes(limits_of_use(fit_lengths(stepped, PRESENT), None))

    assert ("coarse_steps", "refused") in told(20, 30, 40, 50)
    assert ("coarse_steps", "refused") not in told(32, 40, 50)


def test_steps_are_seen_in_readings_and_not_in_their_means():
    """Of three readings in 0.1 mm steps the last differs on every other coupon: means of thirds."""
    rows = "".join(
        f"{length}-{n},{length},{length + 0.1 * (n % 2) * (k == 2):.1f}\n"
        for length in (20, 30, 40) for n in range(6) for k in range(3)
    )
    read = read_coupons(f"coupon,nominal,measured\n{rows}".encode(), "c.csv")
    fit = fit_lengths(read, Compensation())
    assert codes(limits_of_use(fit, Decimal("0.15"))) == [("coarse_steps", "refused")]


def test_exchanged_columns_are_guessed():
    exchanged = [
        Coupon(c.name, c.measured_mm, c.nominal_mm) for c in coupons(decimals=3)
    ]
    (found,) = too_few(exchanged)
    assert "are the columns exchanged?" in found.message
    assert not any("exchanged" in f.message for f in too_few(coupons(each=1)))


def test_lots_that_differ_are_told_from_lots_that_do_not():
    def lots(shift):
        return tuple(
            Coupon(c.name, c.nominal_mm, c.measured_mm + (shift if int(c.name) % 2 else 0),
                   lot="AB"[int(c.name) % 2])
            for c in coupons()
        )

    assert not between_lots(fit_lengths(lots(Decimal(0)), PRESENT)).significant
    assert between_lots(fit_lengths(lots(Decimal("0.03")), PRESENT)).significant
    assert between_lots(fit_lengths(coupons(), PRESENT)) is None


def test_the_chance_of_lots_that_differ_is_that_of_two_models_compared():
    """Second road: both models by numpy's least squares, F by scipy."""
    from scipy import stats

    mixed = tuple(Coupon(c.name, c.nominal_mm, c.measured_mm, lot="ABC"[int(c.name) % 3])
                  for c in coupons())
    fit = fit_lengths(mixed, PRESENT)
    built, measured = (np.array([float(each) for each in column])
                       for column in (fit.built_mm, [c.measured_mm for c in mixed]))
    lots = np.array([[c.lot == lot for lot in "ABC"] for c in mixed], float)

    def left_over(columns):
        found = np.linalg.lstsq(columns, measured, rcond=None)[0]
        return float(((measured - columns @ found) ** 2).sum())

    one = left_over(np.column_stack([np.ones_like(built), built]))
    each = left_over(np.column_stack([lots, built]))
    dof = len(mixed) - 4
    f = (one - each) / 2 / (each / dof)
    told = between_lots(fit)
    assert (told.f, told.p) == pytest.approx((f, stats.f.sf(f, 2, dof)), rel=1e-6)


def test_computed_values_are_no_measurements():
    copied = tuple(Coupon(str(n), Decimal(x), Decimal(x)) for n, x in enumerate([20, 35, 50] * 3))
    assert codes(limits_of_use(fit_lengths(copied, Compensation()), None)) == [
        ("no_scatter", "refused")
    ]
