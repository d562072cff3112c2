"""Trial fit: worked examples, every refusal and note with its sentence, what rods out serve."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.core.case.rods_out import RodOut
from labkit.core.case.trial_fit import trial_fit
from labkit.core.case.trial_rules import implausible, sides_disagree
from labkit.core.case.trial_seen import TrialSeen
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Action, Anchors, Bite, Grading, GradingUnit, Side, Zero
from labkit.core.jsonable import jsonable
from labkit.errors import InputError
from tests.support.patients import (
    LIMITS,
    anchored,
    decimals,
    hinged,
    percents,
    plain,
    sliding,
)

D = Decimal


def rods_of_set(prescription, limits=LIMITS, name="1"):
    return tuple(
        RodOut(f"{name}/{number}", side, step.rod(side).label)
        for number, step in enumerate(grade(prescription, limits).steps, 1) for side in Side
    )


def gaps(left, right=None):
    return TrialSeen(gap_left_mm=D(left), gap_right_mm=D(left if right is None else right))


def tried(seen, prescription=None, rods=None):
    prescription = prescription or plain()
    rods = rods_of_set(prescription) if rods is None else rods
    return trial_fit(prescription, rods, seen, LIMITS)


def proposed(seen, prescription=None, rods=None):
    outcome = tried(seen, prescription, rods)
    assert outcome.refused == ()
    return outcome.proposal


def refusal(code, seen, prescription=None, rods=None):
    outcome = tried(seen, prescription, rods)
    assert outcome.proposal is None
    (finding,) = outcome.refused
    assert finding.code == code
    return finding.message


def notes(outcome):
    return {finding.code: finding.message for finding in outcome.findings}


def test_an_overshoot_on_pull_rods_by_hand():
    # 10 mm range, bite at 7 mm, pull, pins 33.6: the 100 % rod is 30.6 (d = 3). It reaches 1 mm
    # past its seats, so the seats are 29.6 apart, d = 4, and the true maximum is 11 mm.
    found = proposed(gaps("1.0"))
    assert found.seats_mm == (29.6, 29.6)
    assert found.advancement_mm == pytest.approx(11, abs=1e-12)
    assert (found.range_before_mm, found.range_mm) == (10, 11)
    assert found.bite == replace(plain().bite, protruded=D(7))
    assert found.labels_at_100 == ("29.6", "29.6")
    # Advancements 5 to 10 of 11 mm.
    assert [pair.rods.made.percent for pair in found.pairs] == pytest.approx(
        [100 * a / 11 for a in (5, 6, 7, 8, 9, 10)]
    )
    assert [pair.percent_before for pair in found.pairs] == pytest.approx([50, 60, 70, 80, 90, 100])
    assert not any(pair.above_100 for pair in found.pairs)


def test_prescribed_steps_on_the_new_range_and_the_rods_they_need():
    # On 11 mm, 50 60 70 80 90 100 % are 5.5 6.6 7.7 8.8 9.9 11 mm, that is rods of
    # 35.1 34.0 32.9 31.8 30.7 29.6; out are 35.6 34.6 33.6 32.6 31.6 30.6, ±0.15.
    steps = proposed(gaps("1.0")).prescribed
    assert [step.advancement_mm for step in steps] == pytest.approx([5.5, 6.6, 7.7, 8.8, 9.9, 11])
    assert [step.left.wanted for step in steps] == ["35.1", "34.0", "32.9", "31.8", "30.7", "29.6"]
    assert [step.covered for step in steps] == [False, False, False, False, True, False]
    assert steps[4].pair == "1/6"
    assert (steps[4].left.label, steps[4].right.pair) == ("30.6", "1/6")
    assert steps[0].missing == ((Side.LEFT, "35.1"), (Side.RIGHT, "35.1"))
    # 32.9 and 32.6, 31.8 and 31.6 differ by no more than ±0.15 on both; 34.0 and 34.6 do.
    assert [step.left.too_near for step in steps] == ["", "", "32.6", "31.6", "", ""]
    assert notes(tried(gaps("1.0")))["missing_rod_too_near"] == (
        "rods missing for prescribed steps could not be told from rods that are out: left 32.9 "
        "from 32.6, right 32.9 from 32.6, left 31.8 from 31.6, right 31.8 from 31.6; use the rods "
        "that are out, or take them back before the new ones are made"
    )


def test_a_pair_too_short_a_range_leaves_above_100_percent():
    # Falls 1 mm short, pull: seats 31.6 apart, the true range is 9 mm; the 100 % rods now hold
    # 10 mm, 111 %.
    outcome = tried(gaps("-1.0"))
    found = outcome.proposal
    assert found.range_mm == 9
    assert [pair.above_100 for pair in found.pairs] == [False] * 5 + [True]
    assert found.pairs[-1].rods.made.percent == pytest.approx(1000 / 9)
    assert found.prescribed[-1].pair == "1/5"
    said = notes(outcome)
    assert "30.6/30.6 (111.1 %)" in said["rods_above_100"]
    assert said["bite_not_at_100"] == (
        "the true maximum lies 1.00 mm behind the recorded one: the range is 9.00 mm instead of "
        "10.00 mm, and the true 100 % rods are 31.6 left and 31.6 right"
    )


def test_a_hair_above_100_percent_is_within_the_tolerance():
    outcome = tried(gaps("-0.1"))
    assert not any(pair.above_100 for pair in outcome.proposal.pairs)
    assert outcome.proposal.prescribed[-1].pair == "1/6"
    assert "30.6/30.6 (101.0 %)" in notes(outcome)["rods_at_100_within_tolerance"]


def test_a_fit_confirms_the_range():
    outcome = tried(gaps("0"))
    assert outcome.proposal.confirmed
    assert outcome.proposal.bite == plain().bite
    assert "no new revision is needed" in notes(outcome)["range_confirmed"]
    # ±0.15 mm: a gap of 0.1 mm is still the recorded rod, 0.2 mm is another one.
    assert [proposed(gaps(gap)).confirmed for gap in ("0.1", "-0.1", "0.2", "-0.2")] == [
        True, True, False, False,
    ]


def test_met_labels_say_the_same_as_gaps():
    by_label = proposed(TrialSeen(met="31.6"))
    assert by_label.bite.protruded == D(5)
    assert by_label == proposed(TrialSeen(left="31.6", right="31.6")) == proposed(gaps("-1"))


def test_unequal_sides_and_rounded_rods():
    uneven = plain(left=Anchors(33.64), right=Anchors(35.11))
    # 100 %: 30.64 and 32.11, made 30.7 and 32.2, as nothing may hold the jaw further than
    # 100 %; the seats at 11 mm are 29.64 and 31.11 apart.
    found = proposed(gaps("1.06", "1.09"), uneven)
    assert found.seats_mm == pytest.approx((29.64, 31.11))
    assert found.advancement_mm == pytest.approx(11, abs=1e-12)
    assert found.bite.protruded == 7
    assert found.side_mismatch_mm == pytest.approx(0, abs=1e-12)
    off = proposed(gaps("1.16", "1.09"), uneven)
    assert off.side_mismatch_mm == pytest.approx(0.1, abs=1e-9)
    assert off.advancement_mm == pytest.approx(11.05, abs=1e-9)


def test_the_midline_deviation_grows_with_the_path():
    bite = Bite(Zero.HABITUAL, *decimals(6, 3, -4, -2), midline_deviation_mm=D("1.5"))
    found = proposed(gaps("1.0"), plain(bite=bite))
    # 1.5 mm over 10 mm from retruded to protruded, now 11 mm: 1.65.
    assert found.bite == replace(bite, protruded=D(7), midline_deviation_mm=D("1.65"))
    assert (found.range_before_mm, found.range_mm) == (8, 9)


def test_a_rod_alone_keeps_its_percent():
    rods = tuple(rod for rod in rods_of_set(plain()) if (rod.pair, rod.side) != ("1/3", Side.LEFT))
    alone = proposed(gaps("1"), rods=rods).pairs[2].rods
    assert (alone.left, alone.right, alone.name) == ("", "33.6", "none/33.6")
    assert alone.made.percent == pytest.approx(700 / 11)
    covered = proposed(gaps("0"), rods=rods).prescribed[2]
    assert (covered.covered, covered.pair) == (False, "")
    assert (covered.left.label, covered.right.label) == ("", "33.6")


def test_rods_of_two_pairs_can_serve_one_step():
    rods = tuple(
        replace(rod, pair="2/1") if (rod.pair, rod.side) == ("1/3", Side.LEFT) else rod
        for rod in rods_of_set(plain())
    )
    step = proposed(gaps("0"), rods=rods).prescribed[2]
    assert (step.covered, step.pair, step.left.pair, step.right.pair) == (True, "", "2/1", "1/3")


def test_of_two_rods_that_serve_a_side_the_nearer_is_taken():
    """No pair serves both sides of 80 % (32.6): on the left 32.5 is nearer than 32.75."""
    rods = tuple(rod for rod in rods_of_set(plain()) if rod.pair != "1/4")
    rods += (RodOut("2/1", Side.LEFT, "32.75"), RodOut("2/2", Side.LEFT, "32.5"))
    step = proposed(gaps("0"), rods=rods).prescribed[3]
    assert (step.left.label, step.left.pair, step.pair) == ("32.5", "2/2", "")
    assert step.right.label == ""


def test_of_two_rods_that_could_be_taken_for_a_missing_one_the_nearer_is_named():
    rods = tuple(rod for rod in rods_of_set(plain()) if rod.pair != "1/4")
    for labels, nearer in ((("32.85", "32.4"), "32.4"), (("32.35", "32.8"), "32.8")):
        others = tuple(RodOut(f"2/{n}", Side.LEFT, label) for n, label in enumerate(labels))
        step = proposed(gaps("0"), rods=(*rods, *others)).prescribed[3]
        assert (step.left.label, step.left.too_near) == ("", nearer)


def test_the_nearest_rod_within_tolerance_stands_for_the_100_percent_rod():
    # The 100 % rod of the record is 30.6; out is 30.7, within ±0.15.
    rods = (RodOut("9", Side.LEFT, "30.7"), RodOut("9", Side.RIGHT, "30.7"))
    assert proposed(gaps("1.1"), rods=rods).advancement_mm == pytest.approx(11, abs=1e-12)


def test_without_a_100_percent_step_the_gap_counts_from_its_exact_length():
    short = plain(grading=percents(50, 70), left=Anchors(33.64), right=Anchors(33.64))
    outcome = tried(gaps("1.0"), short)
    assert outcome.proposal.advancement_mm == pytest.approx(11, abs=1e-12)
    assert "30.640 mm" in notes(outcome)["gap_from_exact_length"]


def test_steps_in_mm_beyond_the_true_maximum_are_said():
    grading = Grading(GradingUnit.ADVANCEMENT, decimals(6, 8, 10), start=D(6))
    found = proposed(gaps("-1"), plain(grading=grading))
    assert [step.advancement_mm for step in found.prescribed] == [6, 8]
    assert [f.code for f in found.set_findings if f.severity == "refused"] == ["percent_above_100"]


def test_a_proposal_is_plain_json():
    for prescription in (plain(), anchored(hinged()), anchored(sliding())):
        content = jsonable(tried(gaps("0.3"), prescription))
        again = json.loads(json.dumps(content, allow_nan=False))
        assert again == content
        assert again["proposal"]["pairs"][0]["rods"]["pair"] == "1/1"


def test_pairs_of_a_hinged_jaw_show_their_pose():
    found = proposed(gaps("0.5", "0.4"), anchored(hinged()))
    made = grade(anchored(hinged()), LIMITS).steps[0].made
    assert found.pairs[0].rods.made.pitch_deg == pytest.approx(made.pitch_deg, abs=1e-9)
    assert found.side_mismatch_mm > 0


# Refusals, each with its sentence.


def test_a_label_that_is_not_out():
    assert refusal("rod_not_out", TrialSeen(met="31.6"), rods=rods_of_set(plain())[:-3]) == (
        "the right rod 31.6 is not among the rods out; out on the right are 32.6, 33.6, 34.6, "
        "35.6, so give the label of a rod that was tried"
    )
    assert [f.where for f in tried(TrialSeen(met="31.5")).refused] == ["31.5 left", "31.5 right"]
    reserved = tuple(replace(rod, made=False) for rod in rods_of_set(plain())[:1])
    message = tried(TrialSeen(met="35.6"), rods=reserved).refused[0].message
    assert "is only reserved and not made yet; no rod is out on the left" in message


def test_no_100_percent_rod_for_a_gap():
    rods = rods_of_set(plain())[:-1]
    assert refusal("no_rod_at_100", gaps("1"), rods=rods) == (
        "a gap of the right 100 % rod was given, but no right rod out is one (it would be 30.6); "
        "out on the right are 31.6, 32.6, 33.6, 34.6, 35.6, so give the labels of the rods that "
        "met their seats"
    )


def test_behind_the_registered_bite_and_behind_zero():
    # Seats at the pin distance of 33.6 + 1 mm: the jaw would stay 1 mm behind the bite.
    bite = replace(plain().bite, registered=D(4))
    assert refusal("maximum_behind_registered", TrialSeen(met="34.6"), plain(bite=bite)) == (
        "the true maximum would lie at 3.00 on the gauge, behind the registered reading (4), where "
        "the jaw has been; 6 was recorded as protruded, so check which rods met and the sign of a "
        "gap, or record the bite again"
    )
    far = tried(gaps("-11"))
    assert {"maximum_behind_registered", "maximum_behind_zero"} <= {f.code for f in far.refused}


def test_at_the_registered_bite_itself():
    at_bite = plain(bite=replace(plain().bite, registered=D(4)))
    # Bite at 8 mm; seats at the pin distance are the bite itself: 80 %.
    assert proposed(TrialSeen(met="33.6"), at_bite).bite.protruded == 4


def test_an_implausible_change():
    assert refusal("range_change_implausible", gaps("4.2")) == (
        "the range would go from 10 to 14.20 mm, a change of +42 %; a trial fit may change it by "
        "at most 40 %, so record the bite again"
    )
    assert proposed(gaps("4.0")).range_mm == 14


def test_beyond_the_gauge():
    far = plain(bite=Bite(Zero.RETRUDED, *decimals(29, 26, 19)))
    assert refusal("beyond_the_gauge", gaps("2"), far) == (
        "protruded would become 31.00 mm, which lies beyond ±30 mm; record the bite again"
    )


def test_a_midline_beyond_the_gauge():
    """The deviation grows with the path: 14.5 mm over 10 mm become 15.95 mm over 11 mm."""
    bent = anchored(hinged(), bite=Bite(Zero.RETRUDED, *decimals(6, 3, -4),
                                        midline_deviation_mm=D("14.5")))
    found = implausible(bent.bite, replace(bent.bite, protruded=D(7),
                                           midline_deviation_mm=D("15.95")))
    assert [f.message for f in found] == [
        "midline_deviation would become 15.95 mm, which lies beyond ±15 mm; record the bite again"
    ]
    assert implausible(bent.bite, bent.bite) == ()


def test_in_front_of_the_habitual_reading():
    bite = Bite(Zero.RETRUDED, *decimals(6, 2, -4, 4))
    assert "habitual reading (4)" in refusal(
        "readings_out_of_order", gaps("-2.5"), plain(bite=bite)
    )


def test_sides_that_disagree():
    message = refusal("sides_disagree", TrialSeen(left="30.6", right="31.9"), rods=(
        *rods_of_set(plain()), RodOut("2/1", Side.RIGHT, "31.9"),
    ))
    assert "the left side stands +1.30 mm ahead of the right one" in message
    assert "at most 1 mm" in message


def test_sides_may_disagree_by_the_most_that_is_allowed():
    """Straight rods: 1 mm apart is 1 mm of advancement; it is said from there on."""
    assert [f.code for f in sides_disagree((30.0, 31.0), 1.0)] == []
    assert [f.code for f in sides_disagree((30.0, 31.0), -1.0)] == []
    assert [f.code for f in sides_disagree((30.0, 31.001), 1.001)] == ["sides_disagree"]


def test_a_gap_longer_than_the_rod():
    codes = {f.code for f in tried(gaps("31")).refused}
    assert codes == {"gap_too_large"}
    assert "more than the whole rod of 30.60 mm" in tried(gaps("31")).refused[0].message


def test_seats_that_no_point_of_the_path_gives():
    upright = anchored(sliding(), grading=percents(50, 60, 100))
    message = refusal("jaw_pose", gaps("24"), upright)
    assert message.startswith("seats ")
    assert "cannot be read back" in message


def test_a_record_that_grading_refuses_is_refused_here_too():
    wrong = plain(bite=Bite(Zero.RETRUDED, *decimals(6, 9, -4)))
    outcome = trial_fit(wrong, (), gaps("1"), LIMITS)
    assert [finding.code for finding in outcome.refused] == ["registered_outside"]


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({}, "none was given"),
        ({"met": "31.6", "left": "31.6", "right": "31.6"}, "two of them were given"),
        ({"met": "31.6", "gap_left_mm": D(0)}, "two of them were given"),
        ({"left": "31.6", "gap_right_mm": D(0)}, "two of them were given"),
        ({"left": "31.6"}, "the label of one side only was given"),
        ({"gap_right_mm": D(0)}, "the gap of one side only was given"),
        ({"met": "31,6"}, '"31,6" is not the label of a rod'),
        ({"met": "62.5 %"}, "is not the label of a rod"),
        ({"met": "0.0"}, "is not the label of a rod"),
        ({"gap_left_mm": D("NaN"), "gap_right_mm": D(0)}, "must be a finite number"),
    ],
)
def test_what_was_met_is_told_in_one_way(given, sentence):
    with pytest.raises(InputError, match=sentence):
        TrialSeen(**given)


def test_two_rods_of_one_pair_and_side():
    rods = (RodOut("1/1", Side.LEFT, "30.6"), RodOut("1/1", Side.LEFT, "31.6"))
    with pytest.raises(InputError, match="the pair 1/1 has two left rods, 30.6 and 31.6"):
        tried(TrialSeen(met="30.6"), rods=(*rods, RodOut("2", Side.RIGHT, "30.6")))


def test_push_by_hand():
    # Push, pins 33.6, d = 3: the 100 % rod is 36.6; 1 mm too long means the jaw cannot go as far.
    push = plain(action=Action.PUSH)
    found = proposed(gaps("1"), push)
    assert found.seats_mm == (35.6, 35.6)
    assert found.range_mm == 9
    assert found.labels_at_100 == ("35.6", "35.6")
    assert [pair.above_100 for pair in found.pairs] == [False] * 5 + [True]
    assert proposed(gaps("-1"), push).range_mm == 11
