"""Bias and linearity: closed formulas, a second opinion, simulated coverage, odd data."""

from __future__ import annotations

import math
from decimal import Decimal

import numpy as np
import pytest
from scipy import stats

from labkit.errors import RefusedError
from labkit.qa.gauge.bias import bias_findings, biases, linearity
from labkit.qa.gauge.study import Reading


def readings(pairs):
    return [
        Reading(str(x), "", None, Decimal(str(y)), Decimal(str(x)), f"b.csv:{k}")
        for k, (x, y) in enumerate(pairs, 2)
    ]


def drawn(rng, slope=0.0, offset=0.0, sd=0.01, repeats=6):
    return [
        (x, round(x + offset + slope * (x - 30) + sd * rng.standard_normal(), 6))
        for x in (24, 27, 30, 33, 36) for _ in range(repeats)
    ]


def test_scipy_finds_the_same_bias_and_line():
    pairs = drawn(np.random.default_rng(5), 0.002, 0.01)
    found = biases(readings(pairs))
    for bias in found:
        values = [y for x, y in pairs if x == bias.reference_mm]
        theirs = stats.ttest_1samp(values, float(bias.reference_mm))
        assert (bias.t, bias.p) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-7)
        ends = theirs.confidence_interval(0.95)
        truth = float(bias.reference_mm)
        assert bias.bias.lower == pytest.approx(ends.low - truth, abs=1e-9)
        assert bias.bias.upper == pytest.approx(ends.high - truth, abs=1e-9)
    line = linearity(readings(pairs))
    theirs = stats.linregress([x for x, _ in pairs], [y - x for x, y in pairs])
    assert line.slope.value == pytest.approx(theirs.slope, rel=1e-9)
    assert line.intercept_mm.value == pytest.approx(theirs.intercept, rel=1e-9)
    assert line.slope.p == pytest.approx(theirs.pvalue, rel=1e-6)
    half = stats.t.ppf(0.975, len(pairs) - 2) * theirs.intercept_stderr
    assert line.intercept_mm.upper == pytest.approx(theirs.intercept + half, rel=1e-8)


def test_the_band_is_the_written_formula():
    pairs = drawn(np.random.default_rng(6))
    line = linearity(readings(pairs))
    x = np.array([x for x, _ in pairs], float)
    at, n = 27.5, len(pairs)
    spread = line.fit.residual_sd * math.sqrt(
        1 / n + (at - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum()
    )
    band = line.band_mm(at)
    assert band.value == pytest.approx(line.intercept_mm.value + line.slope.value * at)
    assert band.upper - band.value == pytest.approx(stats.t.ppf(0.975, n - 2) * spread)


def test_intervals_cover_and_false_alarms_keep_their_rate():
    rng, runs = np.random.default_rng(20310402), 250
    slope_in = zero_in = alarms = 0
    for _ in range(runs):
        line = linearity(readings(drawn(rng, 0.003, 0.02, repeats=3)))
        slope_in += line.slope.lower <= 0.003 <= line.slope.upper
        found = biases(readings(drawn(rng, repeats=3)))[0]
        zero_in += found.bias.lower <= 0 <= found.bias.upper
        alarms += found.p < 0.05
    room = 3 * math.sqrt(0.95 * 0.05 / runs)
    assert abs(slope_in / runs - 0.95) < room
    assert abs(zero_in / runs - 0.95) < room
    assert zero_in + alarms == runs


def test_a_tilted_gauge_is_told_from_a_true_one():
    rng = np.random.default_rng(7)
    tilted, true = readings(drawn(rng, 0.004)), readings(drawn(rng))
    said = " ".join(bias_findings(biases(tilted), linearity(tilted)))
    assert "The bias changes along the scale: +" in said
    assert "leaves zero outside" in said
    said = " ".join(bias_findings(biases(true), linearity(true)))
    assert "No bias is more than chance explains" in said
    assert "does not show a change" in said


def test_of_several_biases_the_greatest_is_named():
    """All three are real; the one in the middle is the greatest, and below zero."""
    off = readings([(x, x + bias + d) for x, bias in ((28, 0.011), (30, -0.034), (32, 0.02))
                    for d in (-0.001, 0, 0.001)])
    said = " ".join(bias_findings(biases(off), linearity(off)))
    assert "At 28, 30, 32 mm the bias is more than chance explains" in said
    assert "the greatest is −0.0340 mm at 30 mm" in said


def test_a_bent_bias_is_not_called_a_line():
    bent = readings([(x, x + 0.01 * (x - 30) ** 2 + d) for x in (24, 27, 30, 33, 36)
                     for d in (-0.001, 0, 0.001)])
    assert "A straight line does not describe" in " ".join(
        bias_findings(biases(bent), linearity(bent))
    )


def test_readings_that_do_not_differ():
    [off] = biases(readings([(30, 30.02)] * 3))
    assert (off.sd_mm, off.t, off.p) == (0, math.inf, 0)
    [true] = biases(readings([(30, 30.0)] * 3))
    assert (true.bias_mm, true.t, true.p) == (0, 0, 1)
    exact = linearity(readings([(x, x) for x in (28, 30, 32) for _ in range(2)]))
    assert (exact.slope.value, exact.slope.p, exact.clear_of_zero()) == (0, 1, False)
    steady = linearity(readings([(x, round(x * 1.001, 3)) for x in (28, 30, 32)] * 2))
    assert steady.slope.value == pytest.approx(0.001)
    assert steady.slope.p < 1e-6


def test_too_little_is_refused_or_said():
    with pytest.raises(RefusedError, match="add the column `reference`"):
        biases([Reading("1", "", None, Decimal("30"))])
    with pytest.raises(RefusedError, match="reference 31 mm was measured once"):
        biases(readings([(30, 30.1), (30, 30.2), (31, 31.1)]))
    two = readings([(30, 30.1), (30, 30.2), (31, 31.1), (31, 31.2)])
    assert linearity(two) is None
    said = bias_findings(biases(two), None)
    assert any("at least 3 reference values" in sentence for sentence in said)
    assert any("has 2 readings; usual practice is 10" in sentence for sentence in said)


def test_what_one_operator_reads_hangs_together():
    """Three operators who differ by 10 µm, six readings each with 4 µm: 95 % hold of the means."""
    rng, runs = np.random.default_rng(20310403), 400
    inside = 0
    for _ in range(runs):
        rows = [
            Reading("1", name, None, Decimal(f"{30 + own + 0.004 * error:.6f}"), Decimal(30))
            for name, own in zip("abc", 0.01 * rng.standard_normal(3), strict=True)
            for error in rng.standard_normal(6)
        ]
        [found] = biases(rows)
        inside += found.bias.lower <= 0 <= found.bias.upper
    assert abs(inside / runs - 0.95) < 3 * math.sqrt(0.95 * 0.05 / runs)
    assert (len(found.readings_mm), found.dof) == (18, 2)
    means = [np.mean([float(r.value_mm) for r in rows if r.operator == name]) for name in "abc"]
    theirs = stats.ttest_1samp(means, 30.0)
    assert (found.t, found.p) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-7)
