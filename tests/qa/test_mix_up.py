"""Mixed-up rods: every pair found from four standard uncertainties on, and at what price."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations, pairwise

import numpy as np
import pytest
from scipy.stats import norm

from labkit.qa.decision.conformance import Result, results
from labkit.qa.decision.mix_up import LEAST_STEP_U, find_mix_ups, suspicion
from labkit.qa.decision.set_decision import decide_set
from tests.support.measured_sets import measured_set
from tests.support.mix_up_rates import false_alarm_bound, miss_bound

STEP = 0.4
STEPS = 6


@dataclass(frozen=True)
class Labels:
    """Six steps, left and right, by step and side: rod 2k is left, 2k + 1 is right."""

    nominal: np.ndarray
    tolerance: np.ndarray

    @classmethod
    def of(cls, step=STEP, tolerance=None, right=0.0):
        left = 34.0 - step * np.arange(STEPS)
        nominal = np.ravel(np.column_stack([left, left + right]))
        return cls(nominal, np.full(2 * STEPS, 0.499 * step if tolerance is None else tolerance))


def suspected(labels, lengths, u):
    """Run the rules on many sets at once, each rod decided on as it is."""
    limits = (labels.nominal - labels.tolerance, labels.nominal + labels.tolerance)
    conforms = results(lengths, u, limits) == Result.CONFORMS
    return suspicion(lengths, labels.nominal, labels.tolerance, np.full(2 * STEPS, u), conforms)


def measure(labels, dice, repeats, u, spread=0.0):
    """True lengths with the process's spread, cut off at the tolerance, read with a gauge."""
    shape = (repeats, 2 * STEPS)
    true = np.clip(dice.normal(0, spread, shape) if spread else np.zeros(shape),
                   -labels.tolerance, labels.tolerance)
    return labels.nominal + true + dice.normal(0, u, shape)


@pytest.mark.parametrize("seed", range(3))
def test_evidence_is_the_likelihood_of_the_exchange_over_that_of_order(seed):
    """Second road: normal densities of both readings, about each other's label and their own."""
    dice = np.random.default_rng(seed)
    nominal, u = np.array([34.0, 33.6, 33.1]), np.array([0.05, 0.08, 0.11])
    lengths = nominal + dice.normal(0, 0.3, 3)
    found = suspicion(lengths, nominal, np.full(3, 0.1), u, np.zeros(3, bool)).evidence

    def told(rod, label):
        return norm.logpdf(lengths[rod], nominal[label], u[rod])

    for one, other in combinations(range(3), 2):
        exchanged = told(one, other) + told(other, one)
        in_order = told(one, one) + told(other, other)
        assert found[one, other] == pytest.approx(exchanged - in_order, rel=1e-9)


def swapped(labels, lengths, pair):
    """The two rods bear each other's labels: their lengths change places."""
    i, j = pair
    changed = lengths.copy()
    changed[:, i], changed[:, j] = lengths[:, j], lengths[:, i]
    return changed


def pairs_apart(labels):
    """Every two rods of the set that do not bear one label."""
    return [
        pair for pair in combinations(range(2 * STEPS), 2)
        if abs(labels.nominal[pair[0]] - labels.nominal[pair[1]]) > 1e-9
    ]


NEIGHBOURS = [(k, k + 2) for k in range(2 * STEPS - 2)]


def test_there_are_sixty_pairs():
    assert len(pairs_apart(Labels.of())) == 12 * 11 / 2 - STEPS


@pytest.mark.parametrize("ratio", [4.0, 4.5, 5, 6, 8])
def test_every_swapped_neighbours_are_found(ratio):
    """Ten neighbouring pairs, 5000 noisy repeats of each: theory misses one in a million."""
    labels, u = Labels.of(), STEP / ratio
    dice = np.random.default_rng(round(10 * ratio))
    assert miss_bound(STEP, u) <= 1.01e-6
    for pair in NEIGHBOURS:
        lengths = swapped(labels, measure(labels, dice, 5000, u), pair)
        assert suspected(labels, lengths, u).exchanged[:, pair[0], pair[1]].all(), pair


@pytest.mark.parametrize("ratio", [4.0, 5, 10])
def test_every_swapped_pair_of_the_set_is_found(ratio):
    labels, u = Labels.of(), STEP / ratio
    dice = np.random.default_rng(7)
    for i, j in pairs_apart(labels):
        lengths = swapped(labels, measure(labels, dice, 1000, u), (i, j))
        assert suspected(labels, lengths, u).exchanged[:, i, j].all(), (i, j)


def test_every_swapped_pair_is_found_where_rods_spread_about_their_labels():
    """A process that just keeps its tolerance (a third of it as standard deviation)."""
    labels = Labels.of(0.6, 0.15)
    dice = np.random.default_rng(8)
    for u in (0.02, 0.06, 0.075):
        assert miss_bound(0.6, u, 0.05) < 1e-5
        for i, j in pairs_apart(labels):
            lengths = swapped(labels, measure(labels, dice, 400, u, 0.05), (i, j))
            assert suspected(labels, lengths, u).exchanged[:, i, j].all(), (u, i, j)


@pytest.mark.slow
def test_the_miss_bound_holds_where_misses_are_seen():
    """Two million exchanges at four standard uncertainties: two misses, give or take."""
    labels, u, missed, repeats = Labels.of(), STEP / 4, 0, 20_000
    dice = np.random.default_rng(9)
    for pair in NEIGHBOURS * 10:
        lengths = swapped(labels, measure(labels, dice, repeats, u), pair)
        missed += int((~suspected(labels, lengths, u).exchanged[:, pair[0], pair[1]]).sum())
    tried = 10 * len(NEIGHBOURS) * repeats
    allowed = tried * miss_bound(STEP, u)
    assert missed <= allowed + 4 * math.sqrt(allowed)


def test_the_single_rule_alone_would_miss_what_the_joint_one_finds():
    """At four standard uncertainties either rod is nearer its own label once in 44 (2.3 %)."""
    labels, u = Labels.of(), STEP / 4
    dice = np.random.default_rng(10)
    lengths = swapped(labels, measure(labels, dice, 30_000, u), (0, 2))
    found = suspected(labels, lengths, u)
    single = norm.sf(2.0)
    for i, j in ((0, 2), (2, 0)):
        share = 1 - found.fits[:, i, j].mean()
        assert share == pytest.approx(single, abs=5 * math.sqrt(single / 30_000))
    neither = (~found.fits[:, 0, 2] & ~found.fits[:, 2, 0]).mean()
    assert neither == pytest.approx(single**2, abs=5 * single / math.sqrt(30_000))
    assert found.exchanged[:, 0, 2].all()


def test_miss_bound_by_a_second_road():
    """Both shifts integrated over, one reading after the other, instead of their mean's tail."""
    for ratio in (4.0, 4.6, 5.5, 7):
        u, step = 1 / ratio, 1.0
        w = u / math.sqrt(2)
        k = min(step / 2, max(step - 4.7534 * w, 0.9035 * w))
        first = np.linspace(step - 9 * u, step + 9 * u, 20_001)
        missed = norm.pdf(first, step, u) * norm.cdf(2 * k - first, step, u)
        assert miss_bound(step, u) == pytest.approx(np.trapezoid(missed, first), rel=0.005)


# --- good sets


@pytest.mark.parametrize(
    ("step", "tolerance", "u", "spread"),
    [
        (0.7, 0.15, 0.02, 0.05),   # an ordinary set and gauge
        (0.35, 0.15, 0.03, 0.05),  # steps as narrow as the rules allow
        (0.6, 0.15, 0.075, 0.05),  # a gauge just fine enough for an acceptance zone
    ],
)
def test_no_false_alarm_in_ten_thousand_good_sets_beyond_the_stated_rate(
    step, tolerance, u, spread
):
    labels = Labels.of(step, tolerance)
    lengths = measure(labels, np.random.default_rng(11), 10_000, u, spread)
    found = suspected(labels, lengths, u)
    alarms = int((found.fits | found.exchanged).any(axis=(1, 2)).sum())
    stated = false_alarm_bound(labels.nominal, u, spread)
    assert alarms <= 10_000 * stated + 4 * math.sqrt(10_000 * stated)


@pytest.mark.parametrize(("step", "u", "stated"), [(0.7, 0.02, 1e-9), (0.7, 0.05, 1e-3)])
def test_what_the_stated_rate_is_for_ordinary_gauges(step, u, stated):
    labels = Labels.of(step, 0.15)
    assert false_alarm_bound(labels.nominal, u, 0.05) < stated


@pytest.mark.parametrize("ratio", [4, 4.5, 5, 6, 8])
def test_the_stated_rate_bounds_alarms_of_coarse_gauges_too(ratio):
    labels, u = Labels.of(), STEP / ratio
    lengths = measure(labels, np.random.default_rng(12), 10_000, u)
    found = suspected(labels, lengths, u)
    share = (found.fits | found.exchanged).any(axis=(1, 2)).mean()
    stated = false_alarm_bound(labels.nominal, u)
    assert share <= stated + 4 * math.sqrt(stated / 10_000)


def test_rods_that_conform_raise_nothing():
    """Left and right labels within each other's tolerances, rods anywhere within their own."""
    labels = Labels.of(0.7, 0.15, right=0.1)
    dice, u = np.random.default_rng(13), 0.01
    lengths = labels.nominal + dice.uniform(-0.13, 0.13, (10_000, 2 * STEPS))
    found = suspected(labels, lengths, u)
    assert not (found.fits | found.exchanged).any()


# --- the sentences


@pytest.mark.parametrize(("i", "j"), [(0, 2), (0, 3), (3, 7), (1, 11), (8, 10)])
def test_both_rods_are_named_and_no_other(i, j):
    lengths = measure(Labels.of(0.7, 0.15), np.random.default_rng(14), 1, 0.02)[0]
    lengths[i], lengths[j] = lengths[j], lengths[i]
    rods = measured_set(lengths, step=0.7, u=0.02)
    (found,) = find_mix_ups(rods)
    assert {rod.expected.identifier for rod in found.rods} == {
        rods[i].expected.identifier, rods[j].expected.identifier
    }
    for rod in found.rods:
        assert rod.expected.name in found.finding.message
    assert "likely mixed up; hold both" in found.finding.message


def test_two_exchanges_are_told_apart():
    lengths = Labels.of(0.7, 0.15).nominal.copy()
    lengths[[0, 2, 5, 9]] = lengths[[2, 0, 9, 5]]
    rods = measured_set(lengths, step=0.7, u=0.02)
    named = [{rods.index(rod) for rod in found.rods} for found in find_mix_ups(rods)]
    assert sorted(map(sorted, named)) == [[0, 2], [5, 9]]


def test_three_rods_in_a_ring_are_all_named():
    lengths = Labels.of(0.7, 0.15).nominal.copy()
    lengths[[0, 2, 4]] = lengths[[2, 4, 0]]
    rods = measured_set(lengths, step=0.7, u=0.02)
    named = {rods.index(rod) for found in find_mix_ups(rods) for rod in found.rods}
    assert {0, 2, 4} <= named


def test_a_rod_made_twice_is_told_with_those_of_that_label():
    lengths = Labels.of(0.7, 0.15).nominal.copy()
    lengths[4] = lengths[6]
    rods = measured_set(lengths, step=0.7, u=0.02)
    (found,) = find_mix_ups(rods)
    assert {rods.index(rod) for rod in found.rods} == {4, 6, 7}
    assert "fits the label 31.9 better than its own" in found.finding.message
    assert "made or measured twice" in found.finding.message


def test_left_and_right_of_one_label_are_one_part():
    lengths = Labels.of(0.7, 0.15).nominal.copy()
    lengths[0] += 0.05
    lengths[1] -= 0.05
    assert find_mix_ups(measured_set(lengths, step=0.7, u=0.02)) == ()


def test_a_rod_far_from_every_label_is_wrong_but_not_mixed_up():
    lengths = Labels.of(0.7, 0.15).nominal.copy()
    lengths[2] += 5
    assert find_mix_ups(measured_set(lengths, step=0.7, u=0.02)) == ()


def test_noisy_swaps_at_the_edge_are_named_by_the_whole_decision():
    """Two hundred noisy exchanges at four standard uncertainties through the sentences, too."""
    labels, u = Labels.of(), STEP / LEAST_STEP_U
    dice = np.random.default_rng(15)
    for repeat, (i, j) in enumerate(NEIGHBOURS * 20):
        lengths = swapped(labels, measure(labels, dice, 1, u), (i, j))[0]
        rods = measured_set(lengths, step=STEP, u=u, tolerance=0.499 * STEP)
        named = [{rods.index(rod) for rod in found.rods} for found in find_mix_ups(rods)]
        assert any({i, j} <= each for each in named), (repeat, i, j, named)


def test_neighbours_are_neighbours():
    nominal = Labels.of().nominal
    assert all(nominal[i] - nominal[j] == pytest.approx(STEP) for i, j in NEIGHBOURS)
    assert all(a > b for a, b in pairwise(nominal[::2]))


def good_sets_with_a_mix_up(repeats):
    """Good sets through the whole decision: how many of them raise a mix-up."""
    labels, dice, alarms = Labels.of(0.7, 0.15), np.random.default_rng(16), 0
    tolerances = dict.fromkeys(range(1, STEPS + 1), Decimal("0.15"))
    for lengths in measure(labels, dice, repeats, 0.02, 0.05):
        rods = measured_set(lengths, step=0.7, u=0.02)
        decision = decide_set([rod.expected for rod in rods], rods, tolerances)
        alarms += any(finding.code == "mix_up" for finding in decision.findings)
    return alarms


def test_three_hundred_good_sets_raise_no_mix_up_in_the_whole_decision():
    assert good_sets_with_a_mix_up(300) == 0


@pytest.mark.slow
def test_ten_thousand_good_sets_raise_no_mix_up_in_the_whole_decision():
    """The stated rate is 1e-9, so that none is due."""
    assert good_sets_with_a_mix_up(10_000) == 0
