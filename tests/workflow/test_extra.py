"""Extra rods: as the first ones were, never twice, whatever happens meanwhile."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.core.case.extra_requests import Between, ByAdvancement, ByLength
from labkit.core.case.identifier import parse_identifier
from labkit.core.rod.rods import Eye
from labkit.errors import InputError, LedgerError, RefusedError
from labkit.exports.check.measure_step import measure_step
from labkit.ledger.events import Kind
from labkit.ledger.stored import SetState
from labkit.ledger.verify import verify
from labkit.workflow.sets.as_stored import differences
from tests.support.making import (
    CASE,
    INSTALLED,
    ONE,
    extra,
    identifiers_in,
    make,
    recorder_for,
)
from tests.support.prescriptions import changed, hinged

TWO = changed(ONE, ("[50]", "[50, 75]"))


@pytest.fixture
def recorded(no_papers, recorder, out):
    """A recorder whose ledger has one set of two steps."""
    make(TWO, out, recorder)
    return recorder


def head(recorder):
    return recorder.ledger.head()


def refused(recorder, out, *requests, **others):
    """Give the sentence of a refusal, which changes nothing."""
    before, folders = head(recorder), sorted(out.iterdir())
    with pytest.raises(RefusedError) as caught:
        extra(out, recorder, *requests, **others)
    assert (head(recorder), sorted(out.iterdir())) == (before, folders)
    return str(caught.value)


def test_only_the_new_rods_are_made_and_the_series_is_whole(recorded, out):
    made = extra(out, recorded, 62.5)
    assert made.folder.name == "QF-1043-r2"
    spec = json.loads((made.folder / "spacer-set.json").read_text("utf-8"))
    assert spec == made.spec
    assert [(part["part"], part["quantity"]) for part in spec["parts"]] == [("34.5", 2)]
    rows = [
        (r["new"], r["set_revision"], r["step"], r["left"], r["right"]) for r in spec["series"]
    ]
    # 11.6 mm of range, 33.6 mm at the bite 8.1 mm forward: 5.8, 7.25, 8.7 mm are these lengths.
    assert rows == [
        (False, 1, 1, "35.9", "35.9"), (True, 2, 1, "34.5", "34.5"), (False, 1, 2, "33.0", "33.0"),
    ]
    assert spec["series"][1]["percent"] == pytest.approx(100 * 7.2 / 11.6)


def test_order_set_and_rods_are_recorded_with_the_identifiers_of_the_files(recorded, out):
    made = extra(out, recorded, 62.5, ByAdvancement(Decimal("6.5")))
    ledger = recorded.ledger
    order, started, ended = ledger.story(CASE)[-3:]
    assert [order.kind, started.kind, ended.kind] == [Kind.ORDER, Kind.SET_STARTED, Kind.SET_MADE]
    assert started.body["order"] == order.seq
    assert started.body["purpose"] == "extra"
    assert [(line["side"], line["label"]) for line in order.body["lines"]] == [
        ("left", "35.2"), ("right", "35.2"), ("left", "34.5"), ("right", "34.5"),
    ]
    asked = [line["asked"] for line in order.body["lines"]]
    assert asked == ["6.5 mm forward", "6.5 mm forward", "62.5 %", "62.5 %"]
    kept = {(r.step, r.side): r.identifier for r in ledger.rods_of_set("QF-1043-r2")}
    assert kept == identifiers_in(made.spec)
    assert verify(ledger).ok


CASES_TO_MEASURE = {
    "eyes": (ONE, 68.75),
    "balls": (changed(ONE, ("eye-eye-flat", "ball-ball-round")), 68.75),
    "crosspin": (changed(hinged(), ("[60, 75, 90]", "[60]"), ("start = 75", "start = 60")), 70),
}


@pytest.mark.parametrize("name", CASES_TO_MEASURE)
def test_an_extra_rod_has_the_fittings_of_the_first_and_its_own_length(
    no_papers, recorder, out, name
):
    """Measured from the STEP files, by a reader that shares nothing with the builder."""
    text, request = CASES_TO_MEASURE[name]
    first = make(text, out, recorder)
    later = extra(out, recorder, request, case=first.spec["case"])
    assert later.parts
    for new in later.parts:
        (old,) = (p for p in first.parts if p.part.rod.mark == new.part.rod.mark)
        was, now = (
            measure_step(made.folder / part.files.step, part.part.rod.template)
            for made, part in ((first, old), (later, new))
        )
        assert abs(was.ends.length_mm - float(old.part.rod.length)) < 1e-6
        assert abs(now.ends.length_mm - float(new.part.rod.length)) < 1e-6
        assert abs(was.ends.length_mm - now.ends.length_mm) > 0.5
        for end, corner in (("lower", "low"), ("upper", "high")):
            same_fitting(getattr(was.ends, end), getattr(now.ends, end))
            reach = [getattr(m, corner)[0] - getattr(m.ends, end).center[0] for m in (was, now)]
            assert abs(reach[0] - reach[1]) < 1e-6
        for corner in ("low", "high"):  # as high and as thick
            assert getattr(now, corner)[1:] == pytest.approx(getattr(was, corner)[1:], abs=1e-6)


def same_fitting(was, now):
    """The same diameter and axis, at the same place of its end."""
    assert abs(was.diameter_mm - now.diameter_mm) < 1e-6
    assert abs(was.tilt - now.tilt) < 1e-6
    assert now.center[1:] == pytest.approx(was.center[1:], abs=1e-6)


def test_a_rod_that_exists_or_is_too_near_is_refused(recorded, out):
    sentence = refused(recorded, out, 50)
    assert (
        "the left rod 35.9 asked for at 50 % is in circulation already, in set 1, step 1 ("
    ) in sentence
    assert "one could measure as the other" in refused(recorded, out, ByAdvancement(Decimal("5.9")))
    assert "101 %" in refused(recorded, out, 101)
    extra(out, recorded, 62.5)
    assert "is in circulation already, in set 2, step 1 (" in refused(recorded, out, 62.5)


def test_a_rod_of_an_abandoned_set_can_be_made(recorded, out, monkeypatch):
    def broken(*_):
        raise RefusedError("no")

    monkeypatch.setattr("labkit.workflow.sets.make.write_papers", broken)
    with pytest.raises(RefusedError, match="^no$"):
        extra(out, recorded, 62.5)
    monkeypatch.setattr("labkit.workflow.sets.make.write_papers", lambda *_: ())
    made = extra(out, recorded, 62.5)
    assert made.folder.name == "QF-1043-r3"
    orders = [e for e in recorded.ledger.story(CASE) if e.kind is Kind.ORDER]
    assert len(orders) == 1, "the order that was not served is taken up again"
    assert [s.state for s in recorded.ledger.sets(CASE)] == [
        SetState.MADE, SetState.ABANDONED, SetState.MADE,
    ]


def test_by_length_and_between(recorded, out):
    made = extra(out, recorded, ByLength(Decimal("31.4")), Between(Decimal(50), Decimal(75), 2))
    assert [part["label"] for part in made.spec["parts"]] == ["34.9", "34.0", "31.4"]
    assert [row["left"] for row in made.spec["series"]] == ["35.9", "34.9", "34.0", "33.0", "31.4"]


def test_the_newest_prescription_counts(recorded, out):
    """A true maximum 1 mm further forward: 100 % of the new range is 1 mm shorter."""
    text = changed(TWO, ("protruded = 6.4", "protruded = 7.4"))
    body = {"revision": 2, "text": text, "reason": "trial fit"}
    recorded.ledger.record(Kind.PRESCRIPTION, CASE, body, "anna", recorded.now())
    made = extra(out, recorded, 100)
    assert [part["label"] for part in made.spec["parts"]] == ["29.1"]
    (stored,) = (s for s in recorded.ledger.sets(CASE) if s.purpose == "extra")
    assert stored.prescription.revision == 2


def other_template():
    """The installed template, its lower bore 0.1 mm wider than recorded."""
    template = INSTALLED.templates["eye-eye-flat"]
    assert isinstance(template.lower, Eye)
    wider = replace(template.lower, bore_diameter_mm=template.lower.bore_diameter_mm + 0.1)
    changed_one = replace(template, lower=wider, upper=wider)
    return replace(INSTALLED, templates={**INSTALLED.templates, template.name: changed_one})


def other_process():
    process = INSTALLED.processes["nominal"]
    plate = replace(process.plate, width_mm=process.plate.width_mm + 10)
    wider = replace(process, plate=plate)
    return replace(INSTALLED, processes={**INSTALLED.processes, process.name: wider})


@pytest.mark.parametrize(
    ("what", "installed", "field"),
    [
        ("template", other_template(), "lower.bore_diameter_mm: "),
        ("process", other_process(), "plate.width_mm: "),
    ],
)
def test_what_has_changed_is_shown_field_by_field(recorded, out, what, installed, field):
    sentence, *fields = refused(recorded, out, 62.5, installed=installed).splitlines()
    assert f"the {what} " in sentence
    assert "has changed since QF-1043-r1 was made with it" in sentence
    assert f"--{what}-as-stored" in sentence
    assert any(line.startswith(field) and "as recorded" in line for line in fields)
    assert len(fields) == (2 if what == "template" else 1)
    made = extra(out, recorded, 62.5, installed=installed, **{f"{what}_as_stored": True})
    assert made.spec[what] == recorded.ledger.sets(CASE)[0].spec.content[what]


def test_a_template_that_is_gone(recorded, out):
    without = replace(INSTALLED, templates={}, processes={})
    sentence = refused(recorded, out, 62.5, installed=without)
    assert "eye-eye-flat that QF-1043-r1 was made with is no longer installed" in sentence
    sentence = refused(recorded, out, 62.5, installed=without, template_as_stored=True)
    assert "the process nominal that QF-1043-r1 was made with is no longer installed" in sentence
    both = {"template_as_stored": True, "process_as_stored": True}
    assert extra(out, recorded, 62.5, installed=without, **both).parts


def test_as_stored_gives_the_same_bytes_as_installed(no_papers, tmp_path):
    """The template taken out of the record is the installed one to the last digit."""
    made, stored = [], {"template_as_stored": True, "process_as_stored": True}
    for name, options in (("a", {}), ("b", stored)):
        with recorder_for(tmp_path / f"{name}.sqlite") as recorder:
            make(TWO, tmp_path / name, recorder)
            made.append(extra(tmp_path / name, recorder, 62.5, **options))
    sums = [(one.folder / "SHA256SUMS").read_text() for one in made]
    assert sums[0] == sums[1]


def test_a_prescription_of_another_template(recorded, out):
    text = changed(TWO, ("eye-eye-flat", "ball-ball-round"))
    body = {"revision": 2, "text": text, "reason": "new appliance"}
    recorded.ledger.record(Kind.PRESCRIPTION, CASE, body, "anna", recorded.now())
    assert "names the template ball-ball-round, but the rods" in refused(recorded, out, 62.5)


def test_a_case_without_a_set(recorder, out):
    with pytest.raises(InputError, match="has no case '../up'"):
        extra(out, recorder, 62.5, case="../up")
    recorder.ledger.record(Kind.CASE_OPENED, CASE, {}, "anna", recorder.now())
    with pytest.raises(LedgerError, match="no finished set of the case 'QF-1043'"):
        extra(out, recorder, 62.5)
    assert not out.exists()


def test_rods_made_while_the_folder_of_the_first_set_is_missing(recorded, out):
    """The record is enough; the revision goes on from it."""
    (out / "QF-1043-r1").rename(out.parent / "away")
    made = extra(out, recorded, 62.5)
    assert made.folder.name == "QF-1043-r2"
    for identifier in identifiers_in(made.spec).values():
        assert parse_identifier(identifier) == identifier


def test_differences_name_what_is_absent():
    assert differences({"a": 1, "b": {"c": 2}}, {"b": {"c": 3, "d": 4}}) == (
        "a: 1 as recorded, nothing now", "b.c: 2 as recorded, 3 now",
        "b.d: nothing as recorded, 4 now",
    )
