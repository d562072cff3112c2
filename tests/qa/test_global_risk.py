"""Global risks: against a simulated production, at the edges, and bad input."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from labkit.errors import InputError
from labkit.qa.decision.conformance import Zone, acceptance_zone
from labkit.qa.decision.global_risk import Production, global_risk, normal_production

SPECIFICATION = Zone(33.45, 33.75)


def test_a_simulated_production_shows_the_same_risks():
    rng = np.random.default_rng(8)
    mean, sd, u, n = 33.63, 0.08, 0.02, 1_000_000
    true = mean + sd * rng.standard_normal(n)
    read = true + u * rng.standard_normal(n)
    zone = acceptance_zone(SPECIFICATION.lower_mm, SPECIFICATION.upper_mm, u)
    risk = global_risk(normal_production(mean, sd), u, SPECIFICATION, zone)
    good = (true >= SPECIFICATION.lower_mm) & (true <= SPECIFICATION.upper_mm)
    accepted = (read >= zone.lower_mm) & (read <= zone.upper_mm)
    for told, seen in (
        (risk.nonconforming, ~good), (risk.consumer, accepted & ~good),
        (risk.producer, good & ~accepted), (risk.accepted, accepted),
    ):
        assert seen.mean() == pytest.approx(told, abs=4 * math.sqrt(told * (1 - told) / n))
    assert risk.nonconforming_of_accepted == pytest.approx(risk.consumer / risk.accepted)
    # A guard band protects whoever gets the rods, at the cost of whoever makes them.
    plain = global_risk(normal_production(mean, sd), u, SPECIFICATION, SPECIFICATION)
    assert risk.consumer < plain.consumer
    assert risk.producer > plain.producer


def test_where_nothing_is_accepted_only_the_maker_loses():
    risk = global_risk(normal_production(33.6, 0.05), 0.2, SPECIFICATION, None)
    assert risk.consumer == 0
    assert risk.accepted == pytest.approx(0, abs=1e-12)
    assert risk.producer == pytest.approx(1 - risk.nonconforming)
    assert risk.nonconforming_of_accepted == 0


def test_one_limit_and_a_process_far_outside():
    one_sided = Zone(-math.inf, 33.75)
    risk = global_risk(normal_production(33.7, 0.05), 0.01, one_sided, one_sided)
    assert risk.nonconforming == pytest.approx(stats.norm(33.7, 0.05).sf(33.75), rel=1e-12)
    far = global_risk(normal_production(40.0, 0.01), 0.01, SPECIFICATION, SPECIFICATION)
    assert far.nonconforming == pytest.approx(1)
    assert far.consumer == pytest.approx(0, abs=1e-12)


def test_a_gauge_very_fine_against_the_process_keeps_its_digits():
    sharp = global_risk(normal_production(0, 1), 1e-3, Zone(-2, 2), Zone(-2, 2))
    # u → 0: consumer's and producer's risk become φ(2) · 2 · u / √(2π) each.
    expected = 2 * stats.norm.pdf(2) * 1e-3 / math.sqrt(2 * math.pi)
    assert sharp.consumer == pytest.approx(expected, rel=2e-3)
    assert sharp.producer == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("u", [0.0, -1.0, math.nan, math.inf])
def test_a_gauge_needs_its_uncertainty(u):
    with pytest.raises(InputError, match="above 0"):
        global_risk(normal_production(0, 1), u, Zone(-2, 2), Zone(-2, 2))


def test_a_production_needs_its_range():
    with pytest.raises(InputError, match="above 0"):
        normal_production(0, 0)
    with pytest.raises(InputError, match="finite range"):
        Production(stats.norm.pdf, -math.inf, 1, 1)
