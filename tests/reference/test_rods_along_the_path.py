"""Facts of the trade that hold with rods parallel to the path, on a range of 10 mm."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise

import pytest

from labkit.catalog.guide import TOPICS
from labkit.core.case.rods_out import RodOut
from labkit.core.case.trial_fit import trial_fit
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Action, Anchors, Side
from labkit.core.grading.series import asked_steps
from tests.support.guide_pages import ROOT, page
from tests.support.patients import LIMITS, percents, plain, sliding
from tests.support.prescriptions import SMALLEST
from tests.support.prescriptions import hinged as bent
from tests.support.prescriptions import sliding as slid
from tests.support.recorded import parallel, read, unequal
from tests.support.trials import as_made, trial_seen

MODELS = ["straight", "sliding"]
ACTIONS = list(Action)


def along_the_path(model, action):
    """A 10 mm range, bite at 7 mm, rods along the path: 100 % is 27 mm for pull, 33 for push."""
    common = {
        "bite": replace(plain().bite, protruded=Decimal(6)), "action": action,
        "grading": percents(70, 80, 90, 100, start=70),
    }
    if model == "straight":
        return plain(**common, left=Anchors(30.0), right=Anchors(30.0))
    ahead = 30.0 * action.sigma
    sides = {
        name: Anchors(upper=(ahead - 25, y, 2.0), lower=(-25.0, y, 2.0))
        for name, y in (("left", 24.0), ("right", -24.0))
    }
    return plain(**common, jaw=sliding(0.0), **sides)


def made(model, action):
    """Lengths of the 70, 80, 90 and 100 % rods."""
    return [step.left.length for step in grade(along_the_path(model, action), LIMITS).steps]


def trial(prescription, overshoot):
    rods = tuple(
        RodOut(f"1/{number}", side, step.rod(side).label)
        for number, step in enumerate(grade(prescription, LIMITS).steps, 1) for side in Side
    )
    seen = trial_seen([rod.label for rod in rods[-2:]], (overshoot, overshoot))
    outcome = trial_fit(prescription, as_made(rods, prescription, LIMITS), seen, LIMITS)
    return rods, outcome


@pytest.mark.common_practice
@pytest.mark.parametrize("model", MODELS)
def test_pull_rods_on_a_10_mm_range_are_1_mm_apart(model):
    # A percent is a tenth of a millimetre: the 70 % rod is three millimetres longer than the 100 %.
    assert [a - b for a, b in pairwise(made(model, Action.PULL))] == [1, 1, 1]


@pytest.mark.common_practice
@pytest.mark.parametrize("model", MODELS)
def test_push_rods_go_the_other_way(model):
    assert [a - b for a, b in pairwise(made(model, Action.PUSH))] == [-1, -1, -1]


@pytest.mark.common_practice
@pytest.mark.parametrize("overshoot", ["0.5", "1.0", "2.3"])
@pytest.mark.parametrize("action", ACTIONS)
@pytest.mark.parametrize("model", MODELS)
def test_an_overshoot_shortens_the_true_100_percent_rod_by_as_much(model, action, overshoot):
    # Rods that reach past their seats at the true maximum: the bite was not taken at 100 %, and
    # the true 100 % rod is shorter by the overshoot, for pull and push alike.
    recorded = grade(along_the_path(model, action), LIMITS).steps[-1].left.length
    _, outcome = trial(along_the_path(model, action), overshoot)
    expected = str(recorded - Decimal(overshoot))
    assert outcome.proposal.labels_at_100 == (expected, expected)
    assert not outcome.proposal.confirmed


@pytest.mark.common_practice
@pytest.mark.parametrize(("action", "further"), [(Action.PULL, 1), (Action.PUSH, -1)])
@pytest.mark.parametrize("model", MODELS)
def test_which_way_the_jaw_really_went(model, action, further):
    # A shorter true rod is more advancement for pull, less for push (what the actions mean).
    _, outcome = trial(along_the_path(model, action), "1.5")
    assert outcome.proposal.range_mm == pytest.approx(10 + 1.5 * further, abs=1e-9)
    _, outcome = trial(along_the_path(model, action), "-1.5")
    assert outcome.proposal.range_mm == pytest.approx(10 - 1.5 * further, abs=1e-9)


@pytest.mark.common_practice
@pytest.mark.parametrize("gap", ["1.0", "-1.0"])
@pytest.mark.parametrize("action", ACTIONS)
@pytest.mark.parametrize("model", MODELS)
def test_labels_never_change_but_percentages_do(model, action, gap):
    rods, outcome = trial(along_the_path(model, action), gap)
    pairs = {pair.pair: pair for pair in outcome.proposal.pairs}
    for rod in rods:
        assert getattr(pairs[rod.pair].standing, rod.side) == rod.label
    true_range = outcome.proposal.range_mm
    for number, advancement in enumerate((7, 8, 9, 10), 1):
        pair = pairs[f"1/{number}"]
        assert pair.percent_before == pytest.approx(10 * advancement, abs=1e-9)
        assert pair.standing.advancement_mm == pytest.approx(advancement, abs=1e-9)
        assert pair.percent == pytest.approx(100 * advancement / true_range, abs=1e-7)


@pytest.mark.common_practice
@pytest.mark.parametrize(("action", "gap"), [(Action.PULL, "-1.0"), (Action.PUSH, "1.0")])
@pytest.mark.parametrize("model", MODELS)
def test_rods_made_for_a_range_that_was_too_long_are_above_100_percent(model, action, gap):
    # The patient reaches 9 mm only: the old 90 % rods are the 100 % ones, the old 100 % rods
    # would hold the jaw beyond its maximum.
    _, outcome = trial(along_the_path(model, action), gap)
    pairs = outcome.proposal.pairs
    assert [pair.not_to_be_worn for pair in pairs] == [False, False, False, True]
    assert pairs[2].percent == pytest.approx(100, abs=1e-7)
    assert outcome.proposal.prescribed[-1].pair == "1/3"


def test_nowhere_else_is_a_percent_a_tenth_of_a_millimetre():
    pages = "".join(map(page, ["README", *TOPICS]))
    printed = re.findall(r"(?ms)^```toml\n(.*?)^```$", pages)
    demos = [path.read_text("utf-8") for path in (ROOT / "templates/prescriptions").glob("demo*")]
    models = [unequal("A", model) for model in ("straight", "sliding", "hinged")]
    texts = [*printed, *demos, SMALLEST, slid(), bent(), parallel("A"), *models]
    known = [read(text) for text in texts if "\n[bite]" in text and "\n[grading]" in text]
    assert len(known) >= 12
    for prescription in (*known, plain()):
        steps = asked_steps(prescription.grading, bite_scale(prescription.bite))[0]
        apart = {b.advancement_mm - a.advancement_mm for a, b in pairwise(steps)}
        assert apart != {1}, prescription
