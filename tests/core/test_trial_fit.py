"""Trial fit: worked examples, every refusal and note with its sentence, what rods out serve."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.core.case.rods_out import RodOut
from labkit.core.case.trial_fit import trial_fit
from labkit.core.case.trial_rules import answer, implausible, seen_means
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Action, Anchors, Bite, Grading, GradingUnit, Side, Zero
from labkit.core.jsonable import jsonable
from labkit.errors import InputError
from tests.support.patients import LIMITS, anchored, decimals, hinged, percents, plain, sliding
from tests.support.trials import as_made, trial_seen

D = Decimal


def rods_of_set(prescription, limits=LIMITS, name="1"):
    return tuple(
        RodOut(f"{name}/{number}", side, step.rod(side).label)
        for number, step in enumerate(grade(prescription, limits).steps, 1) for side in Side
    )


def past(left, right=None, labels=("31.4", "31.4"), **more):
    """The 100 % rods of `plain`, by how far they reach past their seats (-: fall short)."""
    return trial_seen(labels, (left, left if right is None else right), **more)


def met(left, right=None):
    return trial_seen((left, right or left))


def tried(seen, prescription=None, rods=None):
    prescription = prescription or plain()
    rods = rods_of_set(prescription) if rods is None else rods
    return trial_fit(prescription, as_made(rods, prescription, LIMITS), seen, LIMITS)


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
    # 9.2 mm range, bite at 7 mm, pull, pins 33.6: the 100 % rod is 31.4 (d = 2.2). It reaches
    # 1 mm past its seats, so the seats are 30.4 apart, d = 3.2, and the true maximum is 10.2 mm.
    found = proposed(past("1.0"))
    assert found.seats_mm == (30.4, 30.4)
    assert found.advancement_mm == pytest.approx(10.2, abs=1e-12)
    assert (found.range_before_mm, found.range_mm) == (9.2, 10.2)
    assert found.holds.bite == replace(plain().bite, protruded=D("6.2"))
    assert found.labels_at_100 == ("30.4", "30.4")
    # 50 to 100 % of 9.2 mm are 36.0 35.08 34.16 33.24 32.32 31.4 mm, made to tenths: 40.6 − L.
    made = [40.6 - length for length in (36.0, 35.1, 34.2, 33.2, 32.3, 31.4)]
    assert [pair.percent for pair in found.pairs] == pytest.approx([100 * a / 10.2 for a in made])
    assert [pair.percent_before for pair in found.pairs] == pytest.approx(
        [100 * a / 9.2 for a in made]
    )
    assert not any(pair.not_to_be_worn for pair in found.pairs)


def test_prescribed_steps_on_the_new_range_and_the_rods_they_need():
    # On 10.2 mm, 50 60 70 80 90 100 % are 5.1 6.12 7.14 8.16 9.18 10.2 mm, that is 35.5 34.48
    # 33.46 32.44 31.42 30.4 mm; out are 36.0 35.1 34.2 33.2 32.3 31.4, ±0.15.
    steps = proposed(past("1.0")).prescribed
    assert [step.advancement_mm for step in steps] == pytest.approx(
        [5.1, 6.12, 7.14, 8.16, 9.18, 10.2]
    )
    assert [step.left.wanted for step in steps] == ["35.5", "34.5", "33.5", "32.4", "31.4", "30.4"]
    assert [step.covered for step in steps] == [False, False, False, True, True, False]
    assert [step.pair for step in steps[3:5]] == ["1/5", "1/6"]
    assert (steps[4].left.label, steps[4].right.pair) == ("31.4", "1/6")
    assert steps[0].missing == ((Side.LEFT, "35.5"), (Side.RIGHT, "35.5"))
    # 34.5 and 34.2, 33.5 and 33.2 differ by no more than ±0.15 on both; 35.5 and 35.1 do.
    assert [step.left.too_near for step in steps] == ["", "34.2", "33.2", "", "", ""]
    assert notes(tried(past("1.0")))["missing_rod_too_near"] == (
        "rods missing for prescribed steps could be confused with rods in circulation: left and "
        "right 34.5 from 34.2, left and right 33.5 from 33.2; use the rods in circulation, or take "
        "them back before the new ones are made"
    )


def test_a_pair_too_short_a_range_leaves_above_100_percent():
    # Falls 1 mm short, pull: seats 32.4 apart, the true range is 8.2 mm; the 100 % rods now hold
    # 9.2 mm, 112 %; those of 90 % hold 8.3 mm, 0.1 mm more than the maximum, within ±0.15.
    outcome = tried(past("-1.0"))
    found = outcome.proposal
    assert found.range_mm == 8.2
    assert [pair.not_to_be_worn for pair in found.pairs] == [False] * 5 + [True]
    assert found.pairs[-1].percent == pytest.approx(920 / 8.2)
    assert found.prescribed[-1].pair == "1/5"
    said = notes(outcome)
    assert said["rods_above_100"] == (
        "these rods are beyond the maximum now and NOT TO BE WORN: 1/6 (112.2 %, 31.4/31.4); ask "
        "them back, their labels stay true"
    )
    assert answer(found, Action.PULL) == (
        "The jaw went 1.00 mm less far than recorded: the range is 8.20 mm, not 9.20, and the "
        "pull rods of 100 % are 32.4 / 32.4 (left / right)."
    )


def test_a_hair_above_100_percent_is_within_the_tolerance():
    outcome = tried(past("-0.15"))
    assert not outcome.proposal.confirmed
    assert not any(pair.not_to_be_worn for pair in outcome.proposal.pairs)
    assert notes(outcome)["rods_at_100_within_tolerance"] == (
        "these rods are 100 % within rounding: 1/6 (101.7 %, 31.4/31.4); they count as 100 % rods"
    )


def test_a_fit_confirms_the_range():
    outcome = tried(past("0"))
    assert outcome.proposal.confirmed
    assert outcome.proposal.holds.bite == plain().bite
    assert answer(outcome.proposal, Action.PULL) == (
        "The jaw went as far as recorded: the range stays 9.20 mm, and the pull rods of 100 % are "
        "31.4 / 31.4 (left / right)."
    )
    # ±0.15 mm: a gap of 0.1 mm is still the recorded rod, 0.2 mm is another one.
    assert [proposed(past(gap)).confirmed for gap in ("0.1", "-0.1", "0.2", "-0.2")] == [
        True, True, False, False,
    ]


def test_all_that_a_confirmed_range_says_is_of_that_range():
    near = proposed(past("-0.1"))
    assert answer(near, Action.PULL) == (
        "The jaw went as far as recorded, within what the rods can show (9.10 mm read back): the "
        "range stays 9.20 mm, and the pull rods of 100 % are 31.4 / 31.4 (left / right)."
    )
    assert (near.range_mm, near.holds) == (near.range_before_mm, plain())
    assert all(pair.percent == pair.percent_before for pair in near.pairs)
    assert not any(pair.not_to_be_worn or pair.within_rounding for pair in near.pairs)


def test_met_labels_say_the_same_as_past():
    by_label = proposed(met("32.3"))
    assert by_label.holds.bite.protruded == D("4.3")
    assert by_label == proposed(met("32.3", "32.3")) == proposed(past("-0.9"))


def test_unequal_sides_and_rounded_rods():
    uneven = plain(left=Anchors(33.64), right=Anchors(35.11))
    # 100 %: 31.44 and 32.91, made 31.5 and 33.0, as nothing may hold the jaw further than
    # 100 %; the seats at 10.2 mm are 30.44 and 31.91 apart.
    rods = ("31.5", "33.0")
    found = proposed(past("1.06", "1.09", rods), uneven)
    assert found.seats_mm == pytest.approx((30.44, 31.91))
    assert found.advancement_mm == pytest.approx(10.2, abs=1e-12)
    assert found.holds.bite.protruded == D("6.2")
    off = tried(past("1.16", "1.09", rods), uneven)
    # 0.1 mm is what rods of ±0.15 mm and a gap read to 0.1 mm may differ by: the mean is taken.
    assert off.disagreement.mm == pytest.approx(-0.1, abs=1e-9)
    assert off.disagreement.allowed_mm == pytest.approx(0.25)
    assert off.proposal.advancement_mm == pytest.approx(10.25, abs=1e-9)


def test_the_midline_deviation_grows_with_the_path():
    bite = Bite(Zero.HABITUAL, *decimals("5.2", 3, -4, -2), midline_deviation_mm=D("1.38"))
    found = proposed(past("1.0"), plain(bite=bite))
    # 1.38 mm over 9.2 mm from retruded to protruded are 0.15 mm a mm; over 10.2 mm 1.53.
    assert found.holds.bite == replace(bite, protruded=D("6.2"), midline_deviation_mm=D("1.53"))
    assert (found.range_before_mm, found.range_mm) == (7.2, 8.2)


def test_a_rod_alone_keeps_its_percent():
    rods = tuple(rod for rod in rods_of_set(plain()) if (rod.pair, rod.side) != ("1/3", Side.LEFT))
    alone = proposed(past("1"), rods=rods).pairs[2]
    assert (alone.standing.left, alone.standing.right) == ("", "34.2")
    assert alone.name == "1/3 (62.7 %, none/34.2)"
    assert alone.percent == pytest.approx(640 / 10.2)
    covered = proposed(past("0"), rods=rods).prescribed[2]
    assert (covered.covered, covered.pair) == (False, "")
    assert (covered.left.label, covered.right.label) == ("", "34.2")


def test_rods_of_two_pairs_can_serve_one_step():
    rods = tuple(
        replace(rod, pair="2/1") if (rod.pair, rod.side) == ("1/3", Side.LEFT) else rod
        for rod in rods_of_set(plain())
    )
    step = proposed(past("0"), rods=rods).prescribed[2]
    assert (step.covered, step.pair, step.left.pair, step.right.pair) == (True, "", "2/1", "1/3")


def test_of_two_rods_that_serve_a_side_the_nearer_is_taken():
    """No pair serves both sides of 80 % (33.2): on the left 33.1 is nearer than 33.35."""
    rods = tuple(rod for rod in rods_of_set(plain()) if rod.pair != "1/4")
    rods += (RodOut("2/1", Side.LEFT, "33.35"), RodOut("2/2", Side.LEFT, "33.1"))
    step = proposed(past("0"), rods=rods).prescribed[3]
    assert (step.left.label, step.left.pair, step.pair) == ("33.1", "2/2", "")
    assert step.right.label == ""


def test_of_two_rods_that_could_be_taken_for_a_missing_one_the_nearer_is_named():
    rods = tuple(rod for rod in rods_of_set(plain()) if rod.pair != "1/4")
    for labels, nearer in ((("33.45", "33.0"), "33.0"), (("32.95", "33.4"), "33.4")):
        others = tuple(RodOut(f"2/{n}", Side.LEFT, label) for n, label in enumerate(labels))
        step = proposed(past("0"), rods=(*rods, *others)).prescribed[3]
        assert (step.left.label, step.left.too_near) == ("", nearer)


def test_without_a_100_percent_rod_the_gap_counts_from_the_rod_named():
    """Rods of 80 % (30.2) fall 1 mm short of their seats, 31.2 apart: 6.4 mm, not 9.2 − 1."""
    short = plain(grading=percents(40, 80), bite=replace(plain().bite, registered=D(0)))
    rods = rods_of_set(short)
    seen = past("-1", labels=(rods[-2].label, rods[-1].label))
    assert proposed(seen, short, rods).advancement_mm == pytest.approx(6.4, abs=1e-12)


def test_steps_in_mm_beyond_the_true_maximum_are_said():
    grading = Grading(GradingUnit.ADVANCEMENT, decimals(5, 7, "9.2"), start=D(5))
    found = proposed(past("-1"), plain(grading=grading))
    assert [step.advancement_mm for step in found.prescribed] == [5, 7]
    assert [f.code for f in found.set_findings if f.severity == "refused"] == ["percent_above_100"]


def test_a_proposal_is_plain_json():
    for prescription in (plain(), anchored(hinged()), anchored(sliding())):
        labels = [rod.label for rod in rods_of_set(prescription)[-2:]]
        content = jsonable(tried(past("0.3", labels=labels), prescription))
        again = json.loads(json.dumps(content, allow_nan=False))
        assert again == content
        assert again["proposal"]["pairs"][0]["standing"]["pair"] == "1/1"


# Refusals, each with its sentence.


def test_a_label_that_is_not_out():
    assert refusal("rod_not_out", met("32.3"), rods=rods_of_set(plain())[:-3]) == (
        "the right rod 32.3 is not in circulation; on the right are 33.2, 34.2, 35.1, "
        "36.0, so give the label of a rod that was tried"
    )
    assert [f.where for f in tried(met("32.2")).refused] == ["32.2 left", "32.2 right"]
    reserved = tuple(replace(rod, made=False) for rod in rods_of_set(plain())[:1])
    message = tried(met("36.0"), rods=reserved).refused[0].message
    assert "is only reserved and not made yet; no rod is on the left" in message


def test_behind_the_registered_bite_and_behind_zero():
    # Seats at the pin distance of 33.6 + 0.6 mm: the jaw would stay 0.6 mm behind the bite.
    bite = replace(plain().bite, registered=D(4))
    assert refusal("maximum_behind_registered", met("34.2"), plain(bite=bite)) == (
        "the true maximum would lie at 3.40 on the gauge, behind the registered reading (4), where "
        "the jaw has been; look again, or record the bite again"
    )
    far = tried(past("-11"))
    assert [f.code for f in far.refused] == ["maximum_behind_registered"]
    at_zero = plain(bite=replace(plain().bite, registered=plain().bite.retruded))
    rods = tuple(RodOut("9", side, "33.6") for side in Side)
    codes = [f.code for f in tried(met("33.6"), at_zero, rods=rods).refused]
    assert codes == ["maximum_behind_zero"]


def test_at_the_registered_bite_itself():
    at_bite = plain(bite=replace(plain().bite, registered=D("3.36")))
    # Bite at 7.36 mm, 80 %: seats at the pin distance are the bite itself.
    assert proposed(met("33.6"), at_bite).holds.bite.protruded == D("3.36")


def test_an_implausible_change():
    assert refusal("range_change_implausible", past("3.7")) == (
        "the range would go from 9.2 to 12.90 mm; a trial fit changes it by 40 % at most, so "
        "look again, or record the bite again"
    )
    # 40 % of 9.2 mm are 3.68.
    assert proposed(past("3.68")).range_mm == pytest.approx(12.88, abs=1e-12)


def test_beyond_the_gauge():
    far = plain(bite=Bite(Zero.RETRUDED, *decimals(29, "26.8", "19.8")))
    assert refusal("beyond_the_gauge", past("2"), far) == (
        "protruded would become 31.00 mm, which lies beyond ±30 mm; record the bite again"
    )


def test_a_midline_beyond_the_gauge():
    """The deviation grows with the path: 13.8 mm over 9.2 mm become 15.3 mm over 10.2 mm."""
    bent = anchored(hinged(), bite=Bite(Zero.RETRUDED, *decimals("5.2", 3, -4),
                                        midline_deviation_mm=D("13.8")))
    found = implausible(bent.bite, replace(bent.bite, protruded=D("6.2"),
                                           midline_deviation_mm=D("15.3")))
    assert [f.message for f in found] == [
        "midline_deviation would become 15.30 mm, which lies beyond ±15 mm; record the bite again"
    ]
    assert implausible(bent.bite, bent.bite) == ()


def test_in_front_of_the_habitual_reading():
    bite = Bite(Zero.RETRUDED, *decimals("5.2", 2, -4, 4))
    # Bite at 6 mm: the 100 % rods are 30.4; seats 32.9 apart are 6.7 mm, that is 2.7 on the gauge.
    assert "habitual reading (4)" in refusal(
        "readings_out_of_order", past("-2.5", labels=("30.4", "30.4")), plain(bite=bite)
    )


def test_a_rod_that_leaves_nothing_between_the_seats():
    short = RodOut("9", Side.LEFT, "8"), RodOut("9", Side.RIGHT, "8")
    outcome = tried(past("9", labels=("8", "8")), rods=short)
    assert {finding.code for finding in outcome.refused} == {"gap_too_large"}
    assert outcome.refused[0].message == (
        "the left rod 8 too long by 9 mm leaves nothing between the seats; give how far its free "
        "end lies from its seat, in mm"
    )


def test_seats_that_no_point_of_the_path_gives():
    upright = anchored(sliding(), grading=percents(50, 60, 100))
    labels = [rod.label for rod in rods_of_set(upright)[-2:]]
    message = refusal("jaw_pose", past("24", labels=labels), upright)
    assert message.startswith("seats ")
    assert "cannot be read back" in message


def test_a_record_that_grading_refuses_is_refused_here_too():
    wrong = plain(bite=Bite(Zero.RETRUDED, *decimals("5.2", 9, -4)))
    outcome = trial_fit(wrong, (), past("1"), LIMITS)
    assert [finding.code for finding in outcome.refused] == ["registered_outside"]


def test_two_rods_of_one_pair_and_side():
    rods = (RodOut("1/1", Side.LEFT, "31.4"), RodOut("1/1", Side.LEFT, "32.3"))
    with pytest.raises(InputError, match="the pair 1/1 has two left rods, 31.4 and 32.3"):
        tried(met("31.4"), rods=(*rods, RodOut("2", Side.RIGHT, "31.4")))


def test_push_by_hand():
    # Push, pins 33.6, d = 2.2: the 100 % rod is 35.8; 1 mm too long means the jaw cannot go as far.
    push = plain(action=Action.PUSH)
    found = proposed(past("1", labels=("35.8", "35.8")), push)
    assert found.seats_mm == (34.8, 34.8)
    assert found.range_mm == 8.2
    assert found.labels_at_100 == ("34.8", "34.8")
    assert [pair.not_to_be_worn for pair in found.pairs] == [False] * 5 + [True]
    assert proposed(past("-1", labels=("35.8", "35.8")), push).range_mm == 10.2


@pytest.mark.parametrize(
    ("action", "beyond", "goes"),
    [
        (Action.PULL, 1, "too long by 1 mm: the seats are 30.4 mm apart; with pull rods too long "
                         "means that the jaw went further than the rod holds it."),
        (Action.PULL, -1, "too short by 1 mm: the seats are 32.4 mm apart; with pull rods too "
                          "short means that the jaw went less far than the rod holds it."),
        (Action.PUSH, 1, "too long by 1 mm: the seats are 30.4 mm apart; with push rods too long "
                         "means that the jaw went less far than the rod holds it."),
        (Action.PUSH, -1, "too short by 1 mm: the seats are 32.4 mm apart; with push rods too "
                          "short means that the jaw went further than the rod holds it."),
        (Action.PULL, 0, "meets: the seats are 31.4 mm apart."),
    ],
)
def test_what_was_seen_is_said_so_that_nobody_thinks_of_signs(action, beyond, goes):
    left, right = seen_means(past(beyond), action)
    assert left == f"Left rod 31.4 {goes}"
    assert right == f"Right rod 31.4 {goes}"


def test_the_answer_to_a_hundredth_where_a_tenth_is_not_all():
    seen = past("0.85")
    assert answer(proposed(seen), Action.PULL).startswith(
        "The jaw went 0.85 mm further than recorded: the range is 10.05 mm, not 9.20, and"
    )
