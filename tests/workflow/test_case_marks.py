"""The case mark from the prescription to rods in between, replacements, later sets and papers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from labkit.catalog.rods import rod_templates
from labkit.core.case.extra_requests import ByPercent
from labkit.core.jsonable import jsonable
from labkit.documents import bag_labels, build_sheet, case_sheet
from labkit.documents.papers import wearers_facts
from labkit.documents.rod_drawing.panels import note_words
from labkit.documents.rod_drawing.subject import subject_of
from labkit.errors import InputError, LabelError, RefusedError
from labkit.ledger.bodies import RodState
from labkit.solids.workplane import rod as rod_solid
from labkit.workflow.record.case_mark import case_mark_notes
from labkit.workflow.record.lookup import all_cases, case_story
from labkit.workflow.record.prescribe import record_prescription
from labkit.workflow.record.reports import cases_report, story_report
from labkit.workflow.rods.extra import ExtraOrder, extra_plan
from labkit.workflow.rods.replace import replacement_job
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.make import job_of
from labkit.workflow.sets.planned import planned_parts
from tests.support.dry import finished, first_set, started
from tests.support.making import INSTALLED, MEANS, START, make, recorder_for
from tests.support.prescriptions import SMALLEST, changed, source

MARKED = changed(SMALLEST, ('case = "QF-1043"', 'case = "QF-1043"\ncase_mark = "KH2"'))
OTHER = changed(MARKED, ('"KH2"', '"KH3"'), ("start = 62.5", "start = 75"))
BARE = changed(SMALLEST, ("start = 62.5", "start = 75"))
WHO = ("anna", START)


def case_of(text):
    return open_case(source(text), dict(INSTALLED.templates))


def sentences(text):
    return [finding.message for finding in case_of(text).refusals]


@pytest.fixture
def recorder(tmp_path):
    with recorder_for(str(tmp_path / "l.sqlite")) as recorder:
        yield recorder


def marks(job):
    return {part.rod.case_mark for part, _ in job.planned}


def between(recorder, **how):
    order = ExtraOrder("QF-1043", (ByPercent(68),), **how)
    return extra_plan(recorder.ledger, order, INSTALLED).job(INSTALLED.lettering)


# --- what is refused


@pytest.mark.parametrize("mark", ["28", "2KH", "L", "R", "R28", "KHXY2", "K-2", "kh", "QF2", "K.2"])
def test_what_could_be_taken_for_a_length_or_a_side_is_no_case_mark(mark):
    with pytest.raises(InputError) as caught:
        case_of(changed(MARKED, ("KH2", mark)))
    assert str(caught.value) == (
        f'rx.toml:3: case_mark = "{mark}" is not usable; allowed is 1 to 4 characters, first one '
        'of the letters A E F H J K M N P T U W X Y, then these or digits, such as "KH2"'
    )


def test_a_template_without_a_place_is_named():
    assert sentences(changed(MARKED, ("eye-eye-flat", "ball-ball-round-slim"))) == [
        "ball-ball-round-slim has no place for a case mark; leave case_mark out, or choose a "
        "template with a place for it (`labkit templates`)"
    ]


def test_the_shortest_rod_without_room_is_told_once():
    short = changed(MARKED, ("pin_distance = 33.6", "pin_distance = 22.6"))
    assert sentences(short) == [
        "case mark KH2 beside label 19.1 has 2.74 mm too little room on eye-eye-flat of 19.1 mm; a "
        "rod of 22.1 mm or longer has room: leave case_mark out, or choose a template with a "
        "smaller label"
    ]
    assert sentences(changed(short, ('case_mark = "KH2"', ""))) == []


def test_a_mark_wider_than_its_place_is_refused():
    assert sentences(changed(MARKED, ("KH2", "KH24"))) == [
        "case mark KH24 is 7.80 mm wide at 2.5 mm height, but its place on eye-eye-flat is 6.5 mm "
        "wide; use fewer or narrower characters"
    ]


def test_characters_that_a_process_cannot_show_are_refused():
    case = case_of(changed(MARKED, ("eye-eye-flat", "eye-eye-flat-slim")))
    with pytest.raises(LabelError) as caught:
        planned_parts(case, INSTALLED.processes["example-powder"], INSTALLED.lettering)
    assert str(caught.value) == (
        "case mark KH2 on eye-eye-flat-slim: its stroke width is 0.18 mm, but process "
        "example-powder needs at least 0.25 mm; choose another template or process, or leave "
        "case_mark out"
    )


def test_an_engineer_is_told_the_same():
    with pytest.raises(InputError, match="'28' is not a case mark; allowed is 1 to 4 characters"):
        rod_solid("eye-eye-flat", "31.4", case_mark="28")
    assert rod_solid("eye-eye-flat", "31.4", case_mark="KH2").solids().size() == 1


# --- sets without a case mark


def test_without_a_mark_the_template_is_the_one_from_before_there_were_marks():
    case = case_of(SMALLEST)
    assert "case_mark" not in jsonable(case.template)
    assert "case_mark" not in jsonable(case.prescription)
    assert jsonable(replace(case_of(MARKED).template, case_mark=None)) == jsonable(case.template)


# --- the same mark on every rod of a case


def test_rods_between_and_replacements_bear_the_mark_of_the_case(recorder):
    spec = first_set(recorder, MARKED)
    assert {part["engraving"]["case_mark"] for part in spec["parts"]} == {"KH2"}
    rod = recorder.ledger.rods_of_set("QF-1043-r1")[0]
    again = replacement_job(recorder.ledger, (rod,), (INSTALLED.lettering, None))
    assert marks(between(recorder)) == marks(again) == {"KH2"}


def test_rods_between_of_a_case_without_a_mark_bear_none(recorder):
    first_set(recorder, SMALLEST)
    assert marks(between(recorder)) == {""}


def test_a_later_set_with_another_mark_or_none_is_refused(recorder):
    first_set(recorder, MARKED)
    for text, has in ((OTHER, 'has case_mark = "KH3"'), (BARE, "has none")):
        with pytest.raises(RefusedError) as caught:
            record_prescription(
                recorder.ledger, source(text), INSTALLED.templates, "start moved", WHO
            )
        with pytest.raises(RefusedError) as begun:
            recorder.start(job_of(case_of(text), MEANS), "sets", 1)
        for refused in (caught.value, begun.value):
            assert str(refused) == (
                "rx.toml: rods of QF-1043 in circulation bear the case mark KH2 (QF-1043-r1), but "
                f'this prescription {has}; write case_mark = "KH2", or take those rods back first '
                "(`labkit rod QF-1043-r1 withdrawn`); nothing was recorded"
            )


def test_once_the_marked_rods_are_gone_the_case_may_have_another_mark(recorder):
    first_set(recorder, MARKED)
    for rod in recorder.ledger.rods("QF-1043"):
        recorder.ledger.write("QF-1043", RodState(rod.identifier, "withdrawn"), *WHO)
    record_prescription(recorder.ledger, source(OTHER), INSTALLED.templates, "other mark", WHO)
    assert marks(between(recorder)) == {"KH3"}


def test_a_case_may_be_given_a_mark_later_and_is_told_which_rods_bear_none(recorder):
    first_set(recorder, SMALLEST)
    later = changed(MARKED, ("start = 62.5", "start = 75"))
    record_prescription(recorder.ledger, source(later), INSTALLED.templates, "washed together", WHO)
    assert marks(between(recorder)) == {"KH2"}
    rod = recorder.ledger.rods_of_set("QF-1043-r1")[0]
    again = replacement_job(recorder.ledger, (rod,), (INSTALLED.lettering, None))
    assert marks(again) == {""}  # as the rod was whose place it takes
    (found,) = case_mark_notes(recorder.ledger, "QF-1043", "KH2")
    assert found.message == (
        "rods of QF-1043 in circulation bear no case mark (QF-1043-r1): a rod without one cannot "
        "be distinguished from those of another case by KH2 on the others"
    )
    with pytest.raises(LabelError, match="eye-eye-flat has no place for a case mark"):
        between(recorder, template_as_stored=True)


def test_two_open_cases_with_one_mark_are_noted(recorder):
    first_set(recorder, MARKED)
    assert case_mark_notes(recorder.ledger, "QF-1043", "KH2") == ()
    first_set(recorder, changed(MARKED, ("QF-1043", "QF-2001")))
    (found,) = case_mark_notes(recorder.ledger, "QF-1043", "KH2")
    assert (found.code, found.severity) == ("case_mark_shared", "note")
    assert found.message == (
        "the case mark KH2 is also on rods in circulation of QF-2001: washed together, they "
        "cannot be distinguished; give one of the cases another mark"
    )
    words = story_report(case_story(recorder.ledger, "QF-1043")).words
    assert "Case mark KH2, on every rod made from the newest prescription" in words
    assert "the case mark KH2 is also on rods in circulation of QF-2001" in words.lower().replace(
        "kh2", "KH2"
    ).replace("qf", "QF")
    table = cases_report(all_cases(recorder.ledger)).table("Cases")
    assert table.cells("case mark") == ("KH2", "KH2")
    for rod in recorder.ledger.rods("QF-2001"):
        recorder.ledger.write("QF-2001", RodState(rod.identifier, "withdrawn"), *WHO)
    assert case_mark_notes(recorder.ledger, "QF-1043", "KH2") == ()


# --- papers


def test_papers_tell_the_mark(tmp_path):
    one = changed(MARKED, ("percent = [50, 62.5, 75, 87.5, 100]\nstart = 62.5", "percent = [75]"))
    made = make(one, tmp_path, None)
    assert [part.check.case_mark.text for part in made.parts] == ["KH2"]
    spec = made.spec
    assert ["Case mark", "KH2 on every rod"] in case_sheet.facts(spec)["about"]
    assert wearers_facts(spec)["case_mark"] == "KH2"
    assert bag_labels.facts(spec)["case_mark"] == build_sheet.facts(spec)["case_mark"] == "KH2"
    assert (
        "Case mark KH2, the same on every rod: 2.5 high, depth of the label, at the reader's "
        "right, 2 or more from it."
    ) in note_words(subject_of(spec))


def test_papers_of_a_set_without_a_mark_say_nothing_of_one(recorder):
    spec = finished(recorder, started(recorder, job_of(case_of(SMALLEST), MEANS)))
    assert not any(name == "Case mark" for name, _ in case_sheet.facts(spec)["about"])
    assert bag_labels.facts(spec)["case_mark"] == ""
    assert not any("Case mark" in words for words in note_words(subject_of(spec)))


def test_every_place_has_room_for_some_mark_on_usual_lengths():
    for template in rod_templates().values():
        if template.case_mark is not None:
            text = changed(MARKED, ("eye-eye-flat", template.name))
            assert sentences(text) == []
