"""Rods in place of rejected ones: the same rod once more, alone, whatever happens meanwhile."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from labkit.core.case.identifier import check_digit, grouped, rod_identifier
from labkit.core.case.rod_life import RodState
from labkit.core.grading.prescription import Side
from labkit.core.jsonable import jsonable
from labkit.documents.set_spec import graded_of
from labkit.documents.spec_reader import check_spec
from labkit.errors import CheckError, DeliveryError, InputError, RefusedError
from labkit.ledger.events import Kind
from labkit.ledger.reconcile import Action, reconcile
from labkit.ledger.transfer import export_to, restore
from labkit.ledger.verify import verify
from labkit.units import as_written
from labkit.workflow.inspection.judged_set import set_to_judge
from labkit.workflow.record.lookup import all_cases, case_story, find_rod
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.rods.life import named_rods
from labkit.workflow.rods.slots import slots_of
from labkit.workflow.rods.trial import propose
from labkit.workflow.sets import make as making_module
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.on_disk import look_at
from labkit.workflow.sets.stored_case import read_case
from tests.support.making import (
    CASE,
    INSTALLED,
    ONE,
    START,
    again,
    extra,
    make,
    recorder_for,
    rod_at,
)
from tests.support.prescriptions import changed, hinged, source
from tests.support.trials import trial_seen

TWO = changed(ONE, ("[50]", "[50, 75]"))
FIRST = f"{CASE}-r1"


def data_of(path):
    """Give the geometry of a STEP file: everything after its header but the product's name."""
    lines = path.read_text("ascii").partition("DATA;")[2].splitlines()
    return [line for line in lines if " PRODUCT(" not in line]


def test_only_the_rejected_rod_is_made_again_byte_for_byte(recorded, out):
    old = rod_at(recorded, FIRST, 1, "left")
    made = again(out, recorded, old.identifier)
    assert made.folder.name == f"{CASE}-r2"
    spec = json.loads((made.folder / "spacer-set.json").read_text("utf-8"))
    check_spec(spec)
    assert [(p["part"], p["quantity"]) for p in spec["parts"]] == [("35.9", 1)]
    (use,) = spec["parts"][0]["uses"]
    assert (use["step"], use["side"]) == (1, "left")
    assert use["identifier"] != old.identifier
    assert spec["replaces"] == [{
        "step": 1, "side": "left", "identifier": old.identifier, "set": FIRST,
        "prescription_revision": 1,
    }]
    assert sum(len(plate["placements"]) for plate in spec["plates"]) == 1
    first = Path(recorded.ledger.set_named(FIRST).folder)
    assert data_of(made.folder / f"step/{CASE}-r2_35.9.step") == data_of(
        first / f"step/{FIRST}_35.9.step"
    )
    triangles = [
        (folder / f"stl/{folder.name}_35.9.stl").read_bytes()[80:]
        for folder in (first, made.folder)
    ]
    assert triangles[0] == triangles[1]
    rows = (made.folder / "spacer-set.csv").read_text("utf-8").splitlines()
    assert len(rows) == 2
    assert rows[1].split(",")[6:8] == ["35.9", ""]  # the right one was not made


def test_rejection_order_and_set_are_recorded_as_one(recorded, out):
    ledger, old = recorded.ledger, rod_at(recorded, FIRST, 2, "right")
    made = again(out, recorded, grouped(old.identifier), reason="0.3 mm too long")
    state, order, started, ended = ledger.story(CASE)[-4:]
    kinds = [Kind.ROD_STATE, Kind.ORDER, Kind.SET_STARTED, Kind.SET_MADE]
    assert [event.kind for event in (state, order, started, ended)] == kinds
    assert state.body["reason"] == "0.3 mm too long"
    assert order.body["lines"] == [{
        "side": "right", "length_um": 33_000, "label": "33.0", "percent": "75.0",
        "asked": "once more: 0.3 mm too long", "replaces": old.identifier,
    }]
    assert (started.body["purpose"], started.body["order"]) == ("replacement", order.seq)
    new = rod_at(recorded, made.folder.name, 2, "right")
    assert (new.replaces, new.first_set, new.state) == (old.identifier, FIRST, "made")
    assert ledger.find(old.identifier).state == "rejected"
    assert verify(ledger).ok
    assert {d.action for d in reconcile(ledger, look_at, "anna", START)} == {Action.NOTHING}


def test_every_length_is_taken_back_from_the_record(recorded):
    """The rebuilt set is the graded one, value for value, to the digits that are written."""
    graded = open_case(source(TWO), dict(INSTALLED.templates)).spacer_set
    kept = graded_of(recorded.ledger.set_named(FIRST).spec.content)
    assert as_written(jsonable(kept)) == as_written(jsonable(graded))


def test_slots_follow_a_chain_of_replacements(recorded, out):
    ledger, old = recorded.ledger, rod_at(recorded, FIRST, 1, "left")
    again(out, recorded, old.identifier)
    second = rod_at(recorded, f"{CASE}-r2", 1, "left")
    again(out, recorded, second.identifier, reason="scratched")
    third = rod_at(recorded, f"{CASE}-r3", 1, "left")
    assert (third.replaces, third.first_set) == (second.identifier, FIRST)
    slots = slots_of(ledger, ledger.set_named(FIRST))
    assert [(s.step, s.side) for s in slots] == [
        (1, "left"), (1, "right"), (2, "left"), (2, "right"),
    ]
    assert slots[0].rod.identifier == third.identifier
    assert [rod.identifier for rod in slots[0].replaced] == [old.identifier, second.identifier]
    assert all(slot.filled for slot in slots)
    assert [slot.replaced for slot in slots[1:]] == [(), (), ()]
    assert set_to_judge(ledger, CASE, f"{CASE}-r3").name == FIRST
    assert slots_of(ledger, ledger.set_named(f"{CASE}-r3")) == slots
    # A set of replacements means its own rods; the first set means all that fill its places.
    assert [rod.identifier for rod in named_rods(ledger, (f"{CASE}-r3",))] == [third.identifier]
    assert len(named_rods(ledger, (FIRST,))) == 4


def test_several_rods_of_one_set_at_once(recorded, out):
    rods = [rod_at(recorded, FIRST, 2, side) for side in ("left", "right")]
    made = again(out, recorded, *(rod.identifier for rod in rods))
    assert [(p["part"], p["quantity"]) for p in made.spec["parts"]] == [("33.0", 2)]


def test_a_mirror_part_keeps_its_hand_and_mark(no_papers, recorder, out):
    text = changed(hinged(), ("[60, 75, 90]", "[60, 75]"))
    first = make(text, out, recorder)
    case = first.spec["case"]
    old = rod_at(recorder, f"{case}-r1", 2, "right")
    made = again(out, recorder, old.identifier)
    (new,), was = made.parts, {p.part.rod.part: p for p in first.parts}
    assert new.part.rod == was[f"{old.label}R"].part.rod
    assert new.part.quantity == 1


REFUSED = {
    "no identifier": ("12", InputError, "is not a rod identifier"),
    "a digit wrong": ("{slip}", InputError, "did you mean {old}?"),
    "unknown": ("{unknown}", InputError, "bears the identifier 111 111 111"),
    "named twice": ("{old} {old}", InputError, "is named twice"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_rod_that_is_none_is_refused_and_nothing_recorded(recorded, out, name):
    old = rod_at(recorded, FIRST, 1, "left").identifier
    slip = old[:-1] + str((int(old[-1]) + 1) % 10)
    words, kind, sentence = REFUSED[name]
    unknown = "111111111" + check_digit("111111111")
    asked = words.format(old=old, slip=slip, unknown=unknown).split()
    before = recorded.ledger.head(), sorted(out.iterdir())
    with pytest.raises(kind) as caught:
        again(out, recorded, *asked)
    assert sentence.format(old=grouped(old)) in str(caught.value)
    assert (recorded.ledger.head(), sorted(out.iterdir())) == before


def refusal(recorded, out, *identifiers, **others):
    before = recorded.ledger.head(), sorted(out.glob("[!.]*"))
    with pytest.raises((RefusedError, InputError)) as caught:
        again(out, recorded, *identifiers, **others)
    assert (recorded.ledger.head(), sorted(out.glob("[!.]*"))) == before
    return str(caught.value)


def test_a_reason_must_be_given(recorded, out):
    old = rod_at(recorded, FIRST, 1, "left").identifier
    assert "no reason is given; say why with --reason" in refusal(recorded, out, old, reason=" ")


def test_a_rod_is_replaced_once(recorded, out):
    old = rod_at(recorded, FIRST, 1, "left").identifier
    again(out, recorded, old)
    said = refusal(recorded, out, old)
    assert "is rejected already" in said
    assert "is in its place; reject that one" in said


def test_rods_of_two_sets_are_replaced_set_by_set(recorded, out):
    extra(out, recorded, 62.5)
    rods = [rod_at(recorded, FIRST, 1, "left"), rod_at(recorded, f"{CASE}-r2", 1, "left")]
    said = refusal(recorded, out, *(rod.identifier for rod in rods))
    assert said.endswith("are not of one set; replace them set by set")
    made = again(out, recorded, rods[1].identifier)  # an extra rod is replaced as any other
    assert made.spec["parts"][0]["label"] == "34.5"
    assert rod_at(recorded, f"{CASE}-r3", 1, "left").first_set == f"{CASE}-r2"


def test_a_step_that_extra_rods_have_taken_needs_no_replacement(recorded, out):
    rods = [rod_at(recorded, FIRST, 1, side) for side in ("left", "right")]
    for rod in rods:
        body = {"identifier": rod.identifier, "state": "rejected", "reason": None}
        recorded.ledger.record(Kind.ROD_STATE, CASE, body, "anna", START)
    extra(out, recorded, 50)
    said = refusal(recorded, out, rods[0].identifier)
    assert said.startswith("the left rod 35.9 is in circulation already, as ")


def test_a_record_with_replacements_travels_whole(recorded, out, tmp_path):
    """Out as text and into a new ledger: the same chain, the same rod in the place."""
    again(out, recorded, rod_at(recorded, FIRST, 1, "left").identifier)
    head = export_to(recorded.ledger, tmp_path / "all.jsonl")
    assert restore(tmp_path / "all.jsonl", str(tmp_path / "new.sqlite")) == head
    with recorder_for(tmp_path / "new.sqlite") as other:
        assert verify(other.ledger).ok
        stored = other.ledger.set_named(FIRST)
        assert slots_of(other.ledger, stored) == slots_of(recorded.ledger, stored)


def stop(*_):
    raise CheckError("does not measure as it should")


def test_a_failed_run_leaves_the_rejection_and_is_made_good_by_the_next(
    recorded, out, monkeypatch
):
    ledger, old = recorded.ledger, rod_at(recorded, FIRST, 1, "left")
    with monkeypatch.context() as patched:
        patched.setattr(making_module, "write_papers", stop)
        with pytest.raises(CheckError):
            again(out, recorded, old.identifier)
    assert ledger.find(old.identifier).state == "rejected"
    gone = rod_at(recorded, f"{CASE}-r2", 1, "left")
    assert gone.state == "abandoned"
    slot = slots_of(ledger, ledger.set_named(FIRST))[0]
    assert (slot.rod.identifier, slot.filled) == (old.identifier, False)
    assert "was never made" in refusal(recorded, out, gone.identifier)
    made = again(out, recorded, old.identifier)
    assert made.folder.name == f"{CASE}-r3"
    story = [event.kind for event in ledger.story(CASE)]
    assert story.count(Kind.ROD_STATE) == story.count(Kind.ORDER) == 1  # taken up, not doubled
    assert verify(ledger).ok


def test_a_rod_still_being_made_is_refused(recorded, out):
    body = dict(next(e for e in recorded.ledger.story(CASE) if e.kind is Kind.SET_STARTED).body)
    body |= {"set": f"{CASE}-r2", "set_revision": 2, "rods": [
        {**rod, "identifier": rod_identifier("ab" * 32, 2, rod["step"], rod["side"])}
        for rod in body["rods"]
    ]}
    recorded.ledger.record(Kind.SET_STARTED, CASE, body, "anna", START)
    said = refusal(recorded, out, body["rods"][0]["identifier"])
    assert "is not made yet" in said


@pytest.mark.parametrize("state", ["lost", "broken", "withdrawn"])
def test_a_rod_that_is_gone_keeps_its_state(recorded, out, state):
    ledger, old = recorded.ledger, rod_at(recorded, FIRST, 1, "left")
    body = {"identifier": old.identifier, "state": state, "reason": None}
    ledger.record(Kind.ROD_STATE, CASE, body, "anna", START)
    again(out, recorded, old.identifier)
    assert ledger.find(old.identifier).state == state
    assert slots_of(ledger, ledger.set_named(FIRST))[0].rod.set_name == f"{CASE}-r2"


@pytest.mark.parametrize("because", ["lost", "broken", "rejected"])
@pytest.mark.parametrize("states", [["delivered"], ["delivered", "fitted"]], ids=" ".join)
def test_of_a_rod_that_left_the_lab_somebody_says_what_became(recorded, out, states, because):
    ledger, old = recorded.ledger, rod_at(recorded, FIRST, 1, "left")
    for state in states:
        body = {"identifier": old.identifier, "state": state, "reason": None}
        ledger.record(Kind.ROD_STATE, CASE, body, "anna", START)
    words = rf"is {state} \(.*say what became of it with --because lost, --because broken or --bec"
    with pytest.raises(RefusedError, match=words):
        again(out, recorded, old.identifier)
    assert ledger.find(old.identifier).state == state
    again(out, recorded, old.identifier, because=RodState(because))
    assert ledger.find(old.identifier).state == because


def test_another_word_than_the_records_is_refused(recorded, out):
    ledger, old = recorded.ledger, rod_at(recorded, FIRST, 1, "left")
    body = {"identifier": old.identifier, "state": "lost", "reason": None}
    ledger.record(Kind.ROD_STATE, CASE, body, "anna", START)
    before = ledger.head()
    with pytest.raises(RefusedError, match="is lost by the record, not broken; leave out"):
        again(out, recorded, old.identifier, because=RodState.BROKEN)
    assert ledger.head() == before
    again(out, recorded, old.identifier, because=RodState.LOST)
    assert ledger.find(old.identifier).state == "lost"


def test_the_pair_is_one_setting_with_the_replacement(recorded, out):
    ledger, old = recorded.ledger, rod_at(recorded, FIRST, 1, "left")
    before = _settings(ledger)
    again(out, recorded, old.identifier)
    assert _settings(ledger) == before
    new = rod_at(recorded, f"{CASE}-r2", 1, "left")
    found = find_rod(ledger, new.identifier)
    assert (found.rod.now.step, found.rod.now.serves) == (1, (50.0,))
    assert found.replaces.identifier == old.identifier
    was = find_rod(ledger, old.identifier)
    assert was.rod.now is None
    assert was.replaced_by.identifier == new.identifier
    assert [line.rods_out for line in all_cases(ledger)] == [4]
    states = {r.rod.identifier: r.rod.state for r in case_story(ledger, CASE).rods}
    assert (states[old.identifier], states[new.identifier]) == ("rejected", "made")


def _settings(ledger):
    now = standing_of_case(ledger, CASE).pairs
    return {(each.set_number, each.step): each.makes.percent for each in now if each.makes}


def test_extra_rods_and_the_trial_see_the_replacement_in_the_old_place(recorded, out):
    old = rod_at(recorded, FIRST, 1, "left")
    again(out, recorded, old.identifier)
    later = extra(out, recorded, 62.5)
    rows = [
        (r["new"], r["set_revision"], r["step"], r["left"], r["right"])
        for r in later.spec["series"]
    ]
    assert rows == [
        (False, 1, 1, "35.9", "35.9"), (True, 3, 1, "34.5", "34.5"), (False, 1, 2, "33.0", "33.0"),
    ]
    with pytest.raises(RefusedError, match="is in circulation already"):
        extra(out, recorded, 50)
    trial = propose(recorded.ledger, CASE, trial_seen(("33.0", "33.0")), START)
    assert [cover.covered for cover in trial.prescribed]


def test_with_one_side_rejected_the_other_is_read_alone(recorded, out, monkeypatch):
    """Between rejection and replacement the place has one rod."""
    ledger, old = recorded.ledger, rod_at(recorded, FIRST, 1, "left")
    body = {"identifier": old.identifier, "state": "rejected", "reason": "too long"}
    ledger.record(Kind.ROD_STATE, CASE, body, "anna", START)
    stored = read_case(ledger, CASE)
    assert [(r.rod.pair, r.rod.side) for r in stored.out] == [
        (f"{FIRST}/1", Side.RIGHT), (f"{FIRST}/2", Side.LEFT), (f"{FIRST}/2", Side.RIGHT),
    ]
    again(out, recorded, old.identifier)  # a rejection recorded before is not recorded twice
    assert [e.kind for e in ledger.story(CASE)].count(Kind.ROD_STATE) == 1


def test_the_record_decides_not_what_is_installed(recorded, out):
    """No template and no process of the lab is asked."""
    old = rod_at(recorded, FIRST, 2, "left")
    made = again(out, recorded, old.identifier)
    stored = recorded.ledger.set_named(made.folder.name)
    first = recorded.ledger.set_named(FIRST)
    assert stored.template.sha256 == first.template.sha256
    assert stored.process.sha256 == first.process.sha256
    assert stored.prescription.revision == first.prescription.revision


def test_another_lettering_makes_another_rod_and_is_refused(recorded, out):
    old = rod_at(recorded, FIRST, 2, "left")
    wider = tuple(
        replace(glyph, width=glyph.width + 0.02) if glyph.char == "3" else glyph
        for glyph in INSTALLED.lettering.glyphs
    )
    other = replace(INSTALLED.lettering, glyphs=wider)
    said = refusal(recorded, out, old.identifier, lettering=other)
    assert "makes the rod 33.0 otherwise than it was made" in said


def test_the_same_set_is_not_made_again_after_rods_in_place_of_others(recorded, two_steps, out):
    shutil.copytree(two_steps.parent / "sets", out, dirs_exist_ok=True)
    again(out, recorded, rod_at(recorded, FIRST, 1, "left").identifier)
    before = recorded.ledger.head(), sorted(out.iterdir())
    with pytest.raises(DeliveryError, match=f"lies in .*{FIRST} already"):
        make(TWO, out, recorded)
    assert (recorded.ledger.head(), sorted(out.iterdir())) == before
    revised = make(changed(TWO, ("protruded = 6.4", "protruded = 5.4")), out, recorded)
    assert revised.folder.name == f"{CASE}-r3"


def test_an_earlier_prescription_is_followed_and_said(recorded, out):
    ledger = recorded.ledger
    text = changed(TWO, ("protruded = 6.4", "protruded = 5.4"))
    ledger.record(Kind.PRESCRIPTION, CASE, {"revision": 2, "text": text}, "anna", START)
    old = rod_at(recorded, FIRST, 1, "left")
    made = again(out, recorded, old.identifier)
    assert ledger.set_named(made.folder.name).prescription.revision == 1
    notes = [f["message"] for f in made.spec["lengths"]["findings"]]
    assert any(note.startswith("when these rods were ordered, prescription revision 2 held; "
                               "percentages are those of revision 1") for note in notes)
