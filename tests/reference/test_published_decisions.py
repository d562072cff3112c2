"""Decision rules and uncertainty against published numbers; tolerance = their printed precision."""

from __future__ import annotations

import math

import pytest
from scipy import integrate, optimize, stats

from labkit.qa.decision.conformance import (
    Zone,
    acceptance_zone,
    conformance_probability,
)
from labkit.qa.decision.global_risk import Production, global_risk, normal_production
from labkit.qa.uncertainty import Budget, Component, coverage_factor, resolution, uniform

INF = math.inf


# Inputs of the first: metrologyrules.com, 6 Mar 2022, "same numbers as JCGM 106 7.4"; the others
# and the printed results 0.66, 0.92, 0.99 (JCGM 106:2012, clause 7) from memory.
@pytest.mark.parametrize(
    ("y", "u", "lower", "upper", "printed", "digits"),
    [
        (13.6, 1.8, 12.5, 16.3, 0.66, 0.66263),
        (-5.47, 0.05, -INF, -5.40, 0.92, 0.9192),
        (509.7, 8.6, 490.0, INF, 0.99, 0.9890),
    ],
    ids=["two-sided", "zener-diode", "burst-strength"],
)
def test_conformance_probability_of_jcgm_106(y, u, lower, upper, printed, digits):
    p = conformance_probability(y, u, lower, upper)
    assert p == pytest.approx(printed, abs=0.005)
    assert p == pytest.approx(digits, abs=0.00005)
    assert p == pytest.approx(stats.norm(y, u).cdf(upper) - stats.norm(y, u).cdf(lower), abs=1e-14)


def test_the_one_sided_factor_of_iso_14253_1():
    """1.65 in the standard's text is from memory; 1.644854 by any table of the normal deviate."""
    zone = acceptance_zone(-INF, 10.0, 1.0)
    assert 10.0 - zone.upper_mm == pytest.approx(1.644854, abs=5e-7)
    # Guard band as a part of U = 2u (JCGM 106, w = r·U; from memory), r = 0.8224.
    assert (10.0 - zone.upper_mm) / 2 == pytest.approx(0.8224, abs=0.00005)
    wide = acceptance_zone(-1000.0, 1000.0, 1.0)
    assert 1000.0 - wide.upper_mm == pytest.approx(1.644854, abs=5e-7)


def test_simple_acceptance_and_a_guard_band_of_U():  # noqa: N802
    """ILAC-G8:09/2019 as reproduced by an accredited lab: below 50 % and below 2.5 %."""
    assert conformance_probability(10.0, 0.5, -INF, 10.0) == 0.5
    assert 1 - conformance_probability(10.0 - 2 * 0.5, 0.5, -INF, 10.0) < 0.025


def test_the_two_sided_trap():
    """A guard band of 1.645 u leaves p_c below 95 % where the tolerance is narrow."""
    naive = 0.05 - 1.644853627 * 0.03
    assert naive == pytest.approx(0.00065, abs=5e-6)
    assert conformance_probability(naive, 0.03, -0.05, 0.05) == pytest.approx(0.9043, abs=5e-5)
    assert acceptance_zone(-0.05, 0.05, 0.03) is None
    naive = 0.1 - 1.644853627 * 0.03
    assert conformance_probability(naive, 0.03, -0.1, 0.1) == pytest.approx(0.95001, abs=1.5e-5)
    assert acceptance_zone(-0.1, 0.1, 0.03).upper_mm == pytest.approx(0.05065, abs=1e-5)
    # Just wide enough: p_c = 95 % is met in the middle alone, at a half-width of 1.96 u.
    edge = coverage_factor(INF) * 0.03
    assert acceptance_zone(-0.999 * edge, 0.999 * edge, 0.03) is None
    zone = acceptance_zone(-1.001 * edge, 1.001 * edge, 0.03)
    assert 0 < zone.upper_mm < 0.01
    assert conformance_probability(zone.upper_mm, 0.03, -1.001 * edge, 1.001 * edge) >= 0.95


def test_ball_bearings_of_jcgm_106():
    """The ball bearings of JCGM 106:2012, 9.5.4; the digits are recomputed, by quadrature."""
    gamma = stats.gamma(4, scale=0.25)
    production, limit = Production(gamma.pdf, 0.0, 20.0, 0.5), Zone(-INF, 2.0)
    risk = global_risk(production, 0.25, limit, limit)
    assert 100 * risk.nonconforming == pytest.approx(4.2380, abs=5e-5)
    assert 100 * risk.consumer == pytest.approx(0.8019, abs=5e-5)

    def missed(true: float) -> float:
        return float(gamma.pdf(true) * stats.norm.cdf(2.0, true, 0.25))

    assert risk.nonconforming == pytest.approx(gamma.sf(2.0), rel=1e-6)
    assert risk.consumer == pytest.approx(integrate.quad(missed, 2.0, 10.0)[0], rel=1e-6)

    def excess(limit_mm: float) -> float:
        return global_risk(production, 0.25, limit, Zone(-INF, limit_mm)).consumer - 0.001

    accepted = optimize.brentq(excess, 1.0, 2.0, xtol=1e-12)
    assert accepted == pytest.approx(1.67183, abs=5e-6)
    assert 2.0 - accepted == pytest.approx(0.32817, abs=5e-6)
    # False rejection: 1.744 %, and 7.549 % with the guard band.
    assert 100 * risk.producer == pytest.approx(1.744, abs=5e-4)
    guarded = global_risk(production, 0.25, limit, Zone(-INF, accepted))
    assert 100 * guarded.producer == pytest.approx(7.549, abs=5e-4)


# D. Deaver, How to maintain your confidence, NCSL Workshop 1993 (from memory); the ratio is that of
# standard deviations.
@pytest.mark.parametrize(
    ("limit", "ratio", "guard", "false_accept", "false_reject"),
    [(2.0, 4, 1.0, 0.8, 1.5), (2.5, 4, 1.0, 0.25, None), (2.0, 2, 0.91, 0.8, 6.6)],
)
def test_consumer_risk_of_deaver(limit, ratio, guard, false_accept, false_reject):
    accepted = Zone(-guard * limit, guard * limit)
    risk = global_risk(normal_production(0, 1), 1 / ratio, Zone(-limit, limit), accepted)
    # 0.2445 is printed 0.25.
    assert 100 * risk.consumer == pytest.approx(false_accept, abs=0.05 if limit == 2 else 0.006)
    if false_reject is not None:
        assert 100 * risk.producer == pytest.approx(false_reject, abs=0.05)


@pytest.mark.parametrize("in_tolerance", [60, 70, 80, 90, 95, 99])
def test_false_acceptance_recomputed(in_tolerance):
    """A gauge with a quarter of the production's spread; recomputed by adaptive quadrature."""
    limit = float(stats.norm.ppf((1 + in_tolerance / 100) / 2))
    zone = Zone(-limit, limit)
    risk = global_risk(normal_production(0, 1), 0.25, zone, zone)

    def passed(true: float) -> float:
        inside = stats.norm.cdf(limit, true, 0.25) - stats.norm.cdf(-limit, true, 0.25)
        return float(stats.norm.pdf(true) * inside)

    outside, _ = integrate.quad(passed, limit, limit + 4, epsabs=1e-12)
    inside, _ = integrate.quad(passed, -limit, limit, epsabs=1e-12)
    assert risk.consumer == pytest.approx(2 * outside, abs=1e-9)
    assert risk.nonconforming_of_accepted == pytest.approx(
        2 * outside / (2 * outside + inside), abs=1e-9
    )

    def both(read: float, true: float) -> float:
        return float(stats.norm.pdf(true) * stats.norm.pdf(read, true, 0.25))

    if in_tolerance == 95:  # a second way: the double integral over true value and reading
        twice, _ = integrate.dblquad(both, limit, 8, -limit, limit, epsabs=1e-11)
        assert risk.consumer == pytest.approx(2 * twice, abs=1e-10)


def test_specific_risk():
    """Limits 9 and 11, s 0.4: by a table of the normal integral at 1.25, 2.5 and 3.75."""
    assert 1 - conformance_probability(10.0, 0.4, 9, 11) == pytest.approx(0.01242, abs=5e-6)
    assert 1 - conformance_probability(10.0, 0.4, -INF, 11) == pytest.approx(0.00621, abs=5e-6)
    assert 1 - conformance_probability(10.5, 0.4, 9, 11) == pytest.approx(0.10574, abs=5e-6)


@pytest.mark.parametrize(
    ("step_mm", "u_um"), [(0.01, 2.8868), (0.02, 5.7735), (0.1, 28.868)]
)
def test_resolution_component(step_mm, u_um):
    """δ/√12 recomputed; 0.29 δ of GUM F.2.2.1 from memory."""
    assert 1000 * resolution(step_mm) == pytest.approx(u_um, rel=2e-5)
    assert resolution(step_mm) / step_mm == pytest.approx(0.29, abs=0.005)


def end_gauge() -> Budget:
    """GUM H.1 (JCGM 100:2008), in nm."""
    length, alpha, theta = 50.000623e6, 11.5e-6, -0.1
    return Budget((
        Component("standard", 25.0, 18, "B", ""),
        Component("comparator, mean", 5.8, 24, "A", ""),
        Component("comparator, random", 3.9, 5, "B", ""),
        Component("comparator, systematic", 6.7, 8, "B", ""),
        Component("unlike expansion", length * abs(theta) * uniform(1e-6), 50, "B", ""),
        Component("unlike temperature", length * alpha * uniform(0.05), 2, "B", ""),
    ))


def test_end_gauge_of_the_gum():
    budget = end_gauge()
    contributions = sorted((one.u_mm for one in budget.components), reverse=True)
    assert contributions == pytest.approx([25, 16.599, 6.7, 5.8, 3.9, 2.887], abs=5e-4)
    assert budget.combined_mm == pytest.approx(32, abs=0.5)
    assert budget.combined_mm == pytest.approx(31.6639, abs=5e-5)
    assert budget.combined_mm**2 == pytest.approx(1002, abs=1)
    assert budget.effective_dof == 16
    assert budget.coverage_factor(0.99) == pytest.approx(2.92, abs=0.005)
    assert budget.coverage_factor(0.95) == pytest.approx(2.12, abs=0.005)
    # Printed 93 nm is 2.92 × 32 with both factors rounded; unrounded 92.48 nm.
    assert budget.expanded_mm(0.99) == pytest.approx(92.48, abs=0.01)
    assert round(budget.coverage_factor(0.99), 2) * round(budget.combined_mm) == pytest.approx(
        93, abs=0.5
    )


def test_standard_uncertainties_of_the_end_gauge():
    """GUM H.1: 1.2e-6 and 0.58e-6 1/°C, 0.029 °C, comparator 9.7 nm with 25.6."""
    assert uniform(2e-6) == pytest.approx(1.2e-6, abs=0.05e-6)
    assert uniform(1e-6) == pytest.approx(0.58e-6, abs=0.005e-6)
    assert uniform(0.05) == pytest.approx(0.029, abs=0.0005)
    comparator = Budget(end_gauge().components[1:4])
    assert comparator.combined_mm == pytest.approx(9.7, abs=0.05)
    assert comparator.effective_dof == 25  # 25.6, truncated downwards (GUM G.4.1)


def test_end_gauge_recomputed_from_the_formula():
    """The GUM's own formula, uncertainties carried through it step by step by a library."""
    from GTC import ureal

    l_s, a_s = ureal(50.000623e6, 25, 18), ureal(11.5e-6, uniform(2e-6))
    d = ureal(215, 5.8, 24) + ureal(0, 3.9, 5) + ureal(0, 6.7, 8)
    theta = ureal(-0.1, 0.2) + ureal(0, 0.5 / math.sqrt(2))  # it cycles: GUM H.1.3.4
    d_a, d_t = ureal(0, uniform(1e-6), 50), ureal(0, uniform(0.05), 2)
    l = l_s + d - l_s * (d_a * theta + a_s * d_t)  # noqa: E741 - as the GUM writes it
    assert l.x == pytest.approx(50.000838e6, abs=0.5)
    assert end_gauge().combined_mm == pytest.approx(l.u, rel=1e-6)
    assert end_gauge().effective_dof == math.floor(l.df)
    assert l.df == pytest.approx(16.75, abs=0.02)
