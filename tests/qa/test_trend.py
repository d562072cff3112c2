"""Drift of a calibrated process: how often it is told wrongly, and how soon rightly."""

from __future__ import annotations

import datetime
import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.qa.process.trend import FALSE_ALARM_RATE, LEAST_RODS, WINDOW, RodOff, look
from tests.support.processes import CALIBRATION

DAY = datetime.date(2031, 5, 2)
#: Scatter of the machine and of the gauge in the simulations, mm.
MACHINE, GAUGE = 0.012, 0.006
ONE = math.hypot(MACHINE, GAUGE)


def calibrated(random, each):
    """Calibrate a machine that builds true; give what rods come out by, and the calibration."""
    x = np.repeat([20.0, 30.0, 40.0, 50.0], each)
    rows = np.column_stack([np.ones_like(x), x])
    y = x + random.normal(0, ONE, x.size)
    inverse = np.linalg.inv(rows.T @ rows)
    a, b = inverse @ rows.T @ y
    sd = math.sqrt(np.sum((y - a - b * x) ** 2) / (x.size - 2))
    ua, ub = sd * np.sqrt(np.diag(inverse))
    own = replace(
        CALIBRATION, length_scale_u=ub, length_offset_u_mm=ua, residual_sd_mm=sd,
        residual_dof=x.size - 2, correlation=inverse[0, 1] * sd**2 / (ua * ub),
    )
    return (lambda length: (length - a) / b - length), own


def share_told(rods, runs, *, each=6, moved=None, shared=0.0, seed=3):
    """Share of looks that tell a drift, of processes calibrated and used anew each time."""
    random, told = np.random.default_rng(seed), 0
    for _ in range(runs):
        error, own = calibrated(random, each)
        lengths = random.choice(np.arange(26.0, 38.0), rods)
        off = error(lengths) + random.normal(0, ONE, rods)
        off += 0 if moved is None else moved(np.arange(rods)) * ONE
        off += random.normal(0, shared) if shared else 0
        seen = look(
            [
                RodOff(at, value, GAUGE, DAY, shared)
                for at, value in zip(lengths, off, strict=True)
            ],
            own,
        )
        told += seen.drifts
    return told / runs


@pytest.mark.parametrize(("rods", "each"), [(12, 6), (60, 6), (60, 2), (200, 6)])
def test_a_steady_process_is_seldom_told_to_drift(rods, each):
    """Also where few coupons leave the calibration itself unsure (8 coupons, each = 2)."""
    runs = 600
    error = 3 * math.sqrt(FALSE_ALARM_RATE / runs)
    assert share_told(rods, runs, each=each) <= FALSE_ALARM_RATE + error


def test_an_error_that_all_readings_share_is_not_taken_for_a_drift():
    """Gauge pins in bores that are all 0.007 mm too wide look like rods that are too short."""
    runs = 600
    error = 3 * math.sqrt(FALSE_ALARM_RATE / runs)
    assert share_told(60, runs, shared=0.01) <= FALSE_ALARM_RATE + error
    assert share_told(60, 100, shared=0.01, moved=lambda k: 4.0 * (k >= 40)) >= 0.9


@pytest.mark.slow
@pytest.mark.parametrize(("rods", "each"), [(6, 6), (12, 6), (24, 6), (60, 6), (60, 2), (200, 6)])
def test_a_steady_process_is_seldom_told_to_drift_closely(rods, each):
    runs = 20_000
    error = 3 * math.sqrt(FALSE_ALARM_RATE / runs)
    assert share_told(rods, runs, each=each) <= FALSE_ALARM_RATE + error


@pytest.mark.parametrize(
    ("moved", "least"),
    [
        (lambda k: 2.0 * (k >= 20), 0.85),  # 2 standard deviations, 20 rods ago
        (lambda k: 3.0 * (k >= 28), 0.85),  # 3 standard deviations, 12 rods ago
        (lambda k: -0.06 * k, 0.9),  # slowly shorter: 2.4 standard deviations over 40 rods
    ],
    ids=["step of 2", "step of 3", "slow"],
)
def test_a_drift_is_found(moved, least):
    assert share_told(40, 200, moved=moved) >= least


def rods(*off):
    return [
        RodOff(30.0, value, GAUGE, DAY + datetime.timedelta(days=n)) for n, value in enumerate(off)
    ]


def test_what_is_said_is_how_much_since_when_and_how_many():
    steady = [0.01, -0.01, 0.008, -0.012, 0.009, -0.006, 0.004, -0.004]
    seen = look(rods(*steady, *[0.06 + x for x in steady]), CALIBRATION)
    assert seen.drifts
    assert seen.beyond
    assert (seen.rods, seen.after) == (16, 8)
    assert seen.since == DAY + datetime.timedelta(days=8)
    assert seen.off_mm == pytest.approx(0.06, abs=1e-3)
    sigma = math.hypot(CALIBRATION.residual_sd_mm, GAUGE)
    assert seen.half_mm == pytest.approx(2.0739 * sigma / math.sqrt(8), rel=1e-4)  # t(22)


def test_one_rod_of_another_length_is_no_drift():
    """A mixed-up rod is 1.5 mm off; inspection finds it, the process is not to blame."""
    steady = [0.01, -0.01, 0.008, -0.012, 0.009, -0.006, 0.004, -0.004]
    assert not look(rods(*steady, 1.5), CALIBRATION).drifts
    assert not look(rods(*steady, 1.5, *steady), CALIBRATION).drifts


def test_the_moving_mean_is_the_weighted_sum_written_out():
    values = [0.02, -0.01, 0.015, 0.0, 0.03, -0.005, 0.01]
    seen = look(rods(*values), CALIBRATION)
    sigma = math.hypot(CALIBRATION.residual_sd_mm, GAUGE)
    n = len(values)
    expected = sum(0.1 * 0.9 ** (n - 1 - i) * v / sigma for i, v in enumerate(values))
    assert seen.mean == pytest.approx(expected, rel=1e-12)
    spread = math.sqrt(sum((0.1 * 0.9**i) ** 2 for i in range(n)))
    shared = (1 - 0.9**n) * CALIBRATION.built_u_mm(30.0) / sigma
    t = 3.37952  # scipy.stats.t.ppf(1 - 0.0027 / 2, 22)
    assert seen.limit == pytest.approx(t * math.hypot(spread, shared), rel=1e-5)


def test_a_steady_rise_is_told_while_it_lasts():
    rising = [0.001, 0.004, 0.008, 0.011, 0.016, 0.02]
    seen = look(rods(*rising), CALIBRATION)
    assert any("6 rods or more in a row" in words for words in seen.patterns)
    assert not look(rods(*rising, 0.0), CALIBRATION).patterns


def test_few_rods_say_nothing_and_old_ones_are_forgotten():
    assert look(rods(*[0.1] * (LEAST_RODS - 1)), CALIBRATION) is None
    steady = [0.01, -0.01] * (WINDOW // 2)
    seen = look(rods(*[0.2] * 40, *steady), CALIBRATION)
    assert seen.rods == WINDOW
    assert not seen.drifts


STEADY = [0.01, -0.01, 0.008, -0.012, 0.009, -0.006, 0.004, -0.004] * 2


def gauged(values, gauge="calliper", shared=0.03):
    """Rods read with a gauge that shares more among them than any drift is large."""
    return [replace(rod, gauge=gauge, shared_mm=shared) for rod in rods(*values)]


def test_a_change_is_told_although_what_the_readings_share_is_larger():
    """What is shared is the same before and after."""
    seen = look(gauged([*STEADY, *[0.04 + x for x in STEADY[:8]]]), CALIBRATION)
    assert seen.drifts
    assert not seen.beyond
    assert not seen.patterns
    assert (seen.rods, seen.after) == (24, 8)
    assert seen.change_mm == pytest.approx(0.04, abs=1e-3)


def test_the_change_is_held_against_t_for_all_places_together():
    """23 rods of one gauge: 18 places to part them; scipy.stats.t.isf(0.001 / 18, 22) = 4.69287."""
    sigma = math.hypot(CALIBRATION.residual_sd_mm, GAUGE)
    least = 4.69287 * sigma * math.sqrt(1 / 15 + 1 / 8)
    for share, told in ((0.999, False), (1.001, True)):
        seen = look(gauged([*[0.0] * 15, *[share * least] * 8]), CALIBRATION)
        assert (seen.change_mm is not None) is told


def test_another_gauge_is_no_change_of_the_process():
    after = gauged([0.04 + x for x in STEADY[:8]], gauge="micrometer")
    assert not look([*gauged(STEADY), *after], CALIBRATION).drifts


def test_rods_that_come_back_to_nominal_are_no_drift():
    seen = look(gauged([*[0.04 + x for x in STEADY], *STEADY[:8]]), CALIBRATION)
    assert seen.change_mm is None
