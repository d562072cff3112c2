"""Left and right that disagree at a trial fit: said first, never averaged, and what can be done."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.core.case.rods_out import RodOut
from labkit.core.case.trial_fit import trial_fit
from labkit.core.case.trial_seen import Correct
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.prescription import Action, Anchors, Bite, Side, Zero
from tests.support import independent
from tests.support.patients import LIMITS, WIDE_LIMITS, anchored, decimals, hinged, plain, sliding
from tests.support.trials import as_made, trial_seen

D = Decimal
RODS = tuple(RodOut("1/6", side, "31.4") for side in Side)
FAR = Bite(Zero.RETRUDED, *decimals("5.2", -3, -4))


def tried(past, prescription=None, **more):
    """The 100 % rods of `plain` on both sides."""
    seen = trial_seen(("31.4", "31.4"), past, **more)
    known = prescription or plain()
    return trial_fit(known, as_made(RODS, known, LIMITS), seen, LIMITS)


def at_seats(prescription, seats, **more):
    """Rods that meet seats so far apart."""
    labels = [f"{seat:.4f}" for seat in seats]
    rods = tuple(RodOut("1/1", side, one) for side, one in zip(Side, labels, strict=True))
    known = as_made(rods, prescription, WIDE_LIMITS)
    return trial_fit(prescription, known, trial_seen(labels, **more), WIDE_LIMITS)


def message(outcome, code):
    assert outcome.proposal is None
    (finding,) = outcome.refused
    assert finding.code == code
    return finding.message


def test_less_and_more_by_as_much_are_not_the_rods_of_the_record():
    # Left 0.45 mm too short, right 0.45 mm too long: seats 31.85 and 30.95, 0.9 mm apart.
    outcome = tried(("-0.45", "0.45"))
    assert outcome.disagreement.mm == pytest.approx(0.9, abs=1e-9)
    assert message(outcome, "sides_disagree") == (
        "left and right disagree: against the recorded path the seats on the left are 0.90 mm "
        "further apart than on the right, more than the 0.25 mm of the rods' tolerance and of "
        "reading a gap; one side's distance of the seats was recorded wrongly, a splint or a rod "
        "does not sit in its place, or the jaw moved sideways, which the straight model does not "
        "know; nothing is averaged and nothing can be accepted: look again with the pads "
        "touching, or name with --correct what was recorded wrongly"
    )


@pytest.mark.parametrize(
    ("jaw", "means"),
    [
        (sliding(), "one side's anchors were recorded wrongly, a splint or a rod does not sit in "
                    "its place, or the jaw shifted sideways or turned, which the sliding model "
                    "takes as recorded"),
        (hinged(), "the jaw moved sideways more than the recorded midline deviation explains, "
                   "one side's anchors were recorded wrongly, or a splint or a rod does not sit"),
    ],
    ids=["sliding", "hinged"],
)
def test_what_it_means_in_the_other_models(jaw, means):
    prescription = anchored(jaw)
    left, right = independent.exact_lengths(prescription, 2.5)
    outcome = at_seats(prescription, (left, right + 0.6))
    assert outcome.disagreement.mm == pytest.approx(-0.6, abs=0.01)
    assert means in message(outcome, "sides_disagree")
    assert "the seats on the right are" in outcome.refused[0].message


@pytest.mark.parametrize(("read_to", "past", "is_open"), [
    ("0.1", "0.25", False), ("0.1", "0.26", True), ("0.2", "0.35", False), ("0.2", "0.36", True),
])
def test_from_where_on_it_is_asked_about(read_to, past, is_open):
    """±0.15 mm of the rods and the step to which gaps are read, on either side."""
    for both in ((past, 0), (0, past)):
        outcome = tried(both, read_to_mm=D(read_to))
        assert (outcome.proposal is None) is is_open
        assert outcome.disagreement.open is is_open


def test_the_smaller_tolerance_of_two_rods_counts():
    # ISO 2768-1 f: ±0.1 to 30 mm, ±0.15 above.
    rods = (RodOut("1/1", Side.LEFT, "30.6"), RodOut("1/1", Side.RIGHT, "29.9"))
    seen = trial_seen(("30.6", "29.9"), (0, "-0.7"))
    known = as_made(rods, plain(), LIMITS)
    assert trial_fit(plain(), known, seen, LIMITS).disagreement.allowed_mm == pytest.approx(0.2)


def test_both_corrections_of_a_straight_case_with_their_ranges():
    # Left seats 31.85: 8.75 mm; right seats 30.95: 9.65 mm.
    left, right, midline = tried(("-0.45", "0.45")).choices
    assert (left.correct, left.words) == (
        Correct.LEFT, "the left distance at the registered bite was 34.50 mm, not 33.60 mm"
    )
    assert left.range_mm == pytest.approx(9.65, abs=1e-9)
    assert (right.correct, right.words) == (
        Correct.RIGHT, "the right distance at the registered bite was 32.70 mm, not 33.60 mm"
    )
    assert right.range_mm == pytest.approx(8.75, abs=1e-9)
    assert (midline.range_mm, midline.words) == (
        None,
        "a midline deviation is read from the two sides with the hinged model alone; look again",
    )


@pytest.mark.parametrize("action", list(Action))
@pytest.mark.parametrize("side", list(Side))
def test_a_corrected_side_reads_as_the_other_one(action, side):
    label = "31.4" if action is Action.PULL else "35.8"
    prescription = plain(action=action)
    rods = tuple(RodOut("1/6", one, label) for one in Side)
    seen = trial_seen((label, label), ("-0.45", "0.45"), correct=Correct(side.value))
    proposal = trial_fit(prescription, as_made(rods, prescription, LIMITS), seen, LIMITS).proposal
    number = 1 - list(Side).index(side)
    alone = independent.side_displacement(
        prescription, prescription.left, proposal.seats_mm[number]
    )
    assert proposal.range_mm == pytest.approx(7 + alone, abs=1e-9)
    assert not proposal.confirmed
    # The corrected side's rod meets the seats there too, and the other side is untouched.
    new, old = proposal.holds.anchors(side), prescription.anchors(side)
    assert independent.side_displacement(
        prescription, new, proposal.seats_mm[1 - number]
    ) == pytest.approx(alone, abs=1e-9)
    assert new != old
    other = Side.RIGHT if side is Side.LEFT else Side.LEFT
    assert proposal.holds.anchors(other) == prescription.anchors(other)


def test_a_correction_that_cannot_mean_this_patient_is_not_offered():
    left, right, _ = tried(("-2.2", "4.2")).choices
    assert left.range_mm is None
    assert "a trial fit changes it by 40 % at most" in left.words
    # The left seats are 33.6 mm apart, as at the registered bite.
    assert right.range_mm == pytest.approx(7)


def test_anchors_recorded_are_recorded_again():
    prescription = plain(left=Anchors(upper=(5.0, 24.0, 0.0), lower=(-28.6, 24.0, 0.0)))
    seen = {"past": ("-0.45", "0.45"), "prescription": prescription}
    assert tried(**seen).choices[0].words == (
        "the left distance follows from the anchors recorded; record those again"
    )
    assert message(tried(**seen, correct=Correct.LEFT), "correction_not_possible") == (
        "--correct left: the left distance follows from the anchors recorded; record those again"
    )


@pytest.mark.parametrize("jaw", [sliding(), hinged()], ids=["sliding", "hinged"])
def test_one_sides_distance_with_the_straight_model_alone(jaw):
    prescription = anchored(jaw)
    left, right = independent.exact_lengths(prescription, 2.5)
    outcome = at_seats(prescription, (left, right + 0.6), correct=Correct.RIGHT)
    assert message(outcome, "correction_not_possible") == (
        "--correct right: one side's distance is corrected with the straight model alone; with "
        f"the {jaw.model} model record that side's anchors again"
    )


@pytest.mark.parametrize("action", list(Action))
@pytest.mark.parametrize("deviation", [-1.8, 2.4])
def test_a_midline_deviation_is_read_from_the_two_sides(action, deviation):
    """A jaw that deviates, recorded as if it did not: the second solver's seats, read back."""
    recorded = anchored(hinged(), bite=FAR, action=action)
    if action is Action.PUSH:
        swap = {
            str(side): Anchors(upper=one.lower, lower=one.upper)
            for side in Side for one in [recorded.anchors(side)]
        }
        recorded = replace(recorded, **swap)
    true = replace(recorded, bite=replace(FAR, midline_deviation_mm=D(str(deviation))))
    seats = independent.exact_lengths(true, 7.4)  # 8.4 mm from the retruded reading
    outcome = at_seats(recorded, seats)
    assert message(outcome, "sides_disagree")
    offered = outcome.choices[2]
    assert offered.words == (
        f"take it as midline deviation, {8.4 / 9.2 * deviation:.2f} mm instead of 0.00 mm"
    )
    assert offered.range_mm == pytest.approx(8.4, abs=1e-3)
    proposal = at_seats(recorded, seats, correct=Correct.MIDLINE).proposal
    per_mm = bite_scale(proposal.holds.bite).sideways_per_mm
    assert per_mm == pytest.approx(deviation / 9.2, abs=2e-4)
    # On the path as corrected nothing remains between the sides.
    again = at_seats(proposal.holds, seats)
    assert again.disagreement.mm == pytest.approx(0, abs=1e-6)


def test_no_midline_deviation_where_the_jaw_went_too_little():
    # The bite at 3: 2.6 mm to the maximum, of a span of 9.6 mm.
    prescription = anchored(hinged())
    left, right = independent.exact_lengths(prescription, 2.6)
    outcome = at_seats(prescription, (left, right + 0.5), correct=Correct.MIDLINE)
    assert "less than half of its span of" in message(outcome, "correction_not_possible")
    assert "too little to show a midline deviation; look again" in outcome.refused[0].message


def test_no_midline_deviation_without_the_retruded_reading():
    bite = Bite(Zero.HABITUAL, *decimals("5.2", -3), habitual=D(-4))
    prescription = anchored(hinged(), bite=bite)
    left, right = independent.exact_lengths(prescription, 8.5)
    outcome = at_seats(prescription, (left, right + 0.5), correct=Correct.MIDLINE)
    assert message(outcome, "correction_not_possible") == (
        "--correct midline: a midline deviation is counted from the retruded reading, which was "
        "not recorded; record it, or look again"
    )


def test_nothing_to_correct_where_the_sides_agree():
    outcome = tried((1, 1), correct=Correct.LEFT)
    assert message(outcome, "nothing_to_correct") == (
        "--correct left: left and right agree within 0.25 mm, so nothing is to be corrected; leave "
        "it out"
    )
