"""After a trial fit that shortened the range, no paper tells the old dose as today's."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from decimal import Decimal

import pytest
from click.testing import CliRunner

from labkit.catalog.places import templates_dir
from labkit.catalog.profiles import default_profile, profile_json
from labkit.cli.main import cli
from labkit.core.case.case_standing import SetStanding
from labkit.core.case.identifier import grouped
from labkit.core.case.standing import NotKnown
from labkit.core.grading.prescription import Side
from labkit.documents.papers import PAPERS, layouts_not_used, write_documents
from labkit.documents.render import compile_pdf
from labkit.documents.standing import (
    NOT_TO_BE_WORN,
    STANDING,
    must_say,
    standing_sentences,
    words_on,
)
from labkit.ledger.events import Kind
from labkit.workflow.rods.extra import ExtraOrder, extra_plan
from labkit.workflow.rods.replace import replacement_job
from labkit.workflow.rods.trial_accept import accept
from labkit.workflow.sets.standing import standing_of, with_standing
from tests.documents.pdfs import squeezed, text_of
from tests.support import dry, making
from tests.support.making import INSTALLED, START, recorder_for
from tests.support.recorded import graded, parallel, unequal
from tests.support.trials import trial_seen

MODELS = [
    pytest.param(parallel("A", action) if model == "straight" else unequal("A", model, action),
                 id=f"{model}-{action}")
    for model in ("straight", "sliding", "hinged")
    for action in ("pull", "push")
]


def shorten(recorder, text, by="0.8"):
    """Accept a trial fit at which the jaw went less far than recorded, by so much rod."""
    past = Decimal(by) * (-1 if '"pull"' in text else 1)
    at_100 = graded(text).steps[-1]
    seen = trial_seen([at_100.rod(side).label for side in Side], (past, past))
    trial = accept(recorder.ledger, "A", seen, "anna", START)
    assert trial.text, trial.outcome.findings
    return trial.outcome.proposal.range_mm


def last_rod(recorder, side="left"):
    rods = recorder.ledger.rods("A")
    (found,) = (rod for rod in rods
                if (rod.set_name, rod.step, rod.side) == ("A-r1", 4, side))
    return found


def replaced(recorder, side="left"):
    """What `labkit replace` makes of the 100 % rod of one side, up to its papers."""
    rod = last_rod(recorder, side)
    body = {"identifier": rod.identifier, "state": "rejected", "reason": "too long"}
    job = replacement_job(recorder.ledger, (rod,), (INSTALLED.lettering, None))
    recorder.ledger.record(Kind.ROD_STATE, "A", body, "anna", START)
    return dry.started(recorder, job, "once more: too long")


def in_between(recorder, percent="55"):
    """What `labkit extra` makes, up to its papers."""
    order = ExtraOrder("A", (making.ByPercent(Decimal(percent)),))
    job = extra_plan(recorder.ledger, order, INSTALLED).job(INSTALLED.lettering)
    return dry.started(recorder, job, f"{percent} %")


@pytest.fixture
def book(tmp_path):
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        yield recorder


@pytest.mark.parametrize("text", MODELS)
def test_papers_made_again_tell_what_each_pair_makes_now(book, text):
    spec = dry.first_set(book, text)
    assert standing_of(book.ledger, spec).changed == ()
    before = spec["lengths"]["range_mm"]
    now = shorten(book, text)
    standing = standing_of(book.ledger, spec)
    assert isinstance(standing, SetStanding)
    assert standing.own_changed
    assert {one.name: one.range_mm for one in standing.changed} == {"A-r1": before}
    holds = standing.case.now
    assert holds.range_mm == pytest.approx(now, abs=1e-9)
    assert (holds.date, holds.by) == ("2031-03-14", "anna")
    entry = book.ledger.event(holds.entry)
    assert (entry.kind, entry.body["revision"]) == (Kind.TRIAL_FIT, 1)
    for number, step in enumerate(spec["lengths"]["steps"], 1):
        pair = standing.at_step(number).makes
        assert pair.percent == pytest.approx(100 * step["made"]["advancement_mm"] / now, abs=1e-5)
        assert pair.not_to_be_worn is (number == 4)


@pytest.mark.parametrize("text", MODELS)
def test_a_rod_in_place_of_another_comes_with_papers_that_strike_it(book, text):
    dry.first_set(book, text)
    now = shorten(book, text)
    spec = replaced(book)
    shown = with_standing(spec, book.ledger)
    said, struck = standing_sentences(shown)
    assert f"The protrusive range is {now:.2f} mm now (entry " in said
    assert "mm that A-r1 was made for" in said
    new = spec["parts"][0]["uses"][0]["identifier"]
    other = last_rod(book, "right").identifier
    assert struck.startswith(f"{NOT_TO_BE_WORN}: left ")
    assert grouped(new) in struck
    assert grouped(other) in struck
    assert grouped(last_rod(book).identifier) not in struck  # the rejected one is out of use
    sheet = PAPERS[0].facts(shown)
    assert [row["mark"] for row in sheet["steps"]] == ["", "", "", NOT_TO_BE_WORN]
    assert [(row["new"], row["mark"]) for row in sheet["replaced"]] == [
        (grouped(new), NOT_TO_BE_WORN)]
    assert [float(row["percent_now"]) > float(row["percent_made"]) for row in sheet["steps"]] == [
        True] * 4
    assert sheet["now"][0] == struck
    assert NOT_TO_BE_WORN in sheet["trial_fit"]
    assert "no pair in circulation makes it now" in dict(map(tuple, sheet["about"]))["Start"]


@pytest.mark.parametrize("text", MODELS)
def test_rods_in_between_come_with_the_series_as_it_stands_now(book, text):
    dry.first_set(book, text)
    shorten(book, text)
    spec = in_between(book)
    shown = with_standing(spec, book.ledger)
    assert not shown[STANDING].own_changed
    (struck,) = words_on(shown).not_worn(shown)
    assert "set 1, step 4 (" in struck
    for side in ("left", "right"):
        assert grouped(last_rod(book, side).identifier) in struck
    sheet = PAPERS[0].facts(shown)
    marks = {row["place"]: row["mark"] for row in sheet["series"]}
    assert marks.pop("set 1, step 4") == NOT_TO_BE_WORN
    assert set(marks.values()) == {""}
    assert sheet["now"][0] == struck
    assert [row["mark"] for row in sheet["steps"]] == [""]


@pytest.mark.parametrize("text", MODELS)
def test_a_longer_range_strikes_nothing_and_is_told(book, text):
    spec = dry.first_set(book, text)
    shorten(book, text, "-0.8")
    shown = with_standing(spec, book.ledger)
    assert len(standing_sentences(shown)) == 1
    sheet = PAPERS[0].facts(shown)
    assert [float(row["percent_now"]) < float(row["percent_made"]) for row in sheet["steps"]] == [
        True] * 4


def test_a_series_printed_again_later_is_that_of_the_range_now(book):
    """Rods in between were made on the first range; the trial fit came after them."""
    text = parallel("A")
    dry.first_set(book, text)
    spec = dry.finished(book, in_between(book, "75"))
    assert not must_say(with_standing(spec, book.ledger))
    now = shorten(book, text)
    sheet = PAPERS[0].facts(with_standing(spec, book.ledger))
    made = [float(row["advancement"]) for row in sheet["series"]]
    assert [float(row["percent"]) for row in sheet["series"]] == pytest.approx(
        [100 * mm / now for mm in made], abs=0.06)
    assert sheet["series"][-1]["mark"] == NOT_TO_BE_WORN


def test_a_range_that_came_back_holds_again(book):
    text = parallel("A")
    spec = dry.first_set(book, text)
    shorten(book, text)
    assert standing_of(book.ledger, spec).own_changed
    body = {"revision": 3, "text": f"# as it was\n{text}", "reason": "measured again"}
    book.ledger.record(Kind.PRESCRIPTION, "A", body, "anna", START)
    assert not standing_of(book.ledger, spec).own_changed


def test_the_entry_is_the_one_since_which_the_range_holds(book):
    """A later revision that changes a note alone is not what changed the range."""
    text = parallel("A")
    spec = dry.first_set(book, text)
    shorten(book, text)
    since = standing_of(book.ledger, spec).case.now.entry
    body = {"revision": 3, "text": book.ledger.prescription("A").text + "# a note\n", "reason": "x"}
    book.ledger.record(Kind.PRESCRIPTION, "A", body, "kim", START)
    assert standing_of(book.ledger, spec).case.now.entry == since


def test_other_anchors_on_the_same_range_are_told_too(book):
    text = parallel("A")
    spec = dry.first_set(book, text)
    moved = text.replace("pin_distance = 30", "pin_distance = 29.5")
    body = {"revision": 2, "text": moved, "reason": "splint made anew"}
    book.ledger.record(Kind.PRESCRIPTION, "A", body, "kim", START)
    shown = with_standing(spec, book.ledger)
    (said,) = standing_sentences(shown)
    assert "percentages are other ones now" in said
    assert "still 9.20 mm" in said
    assert PAPERS[0].facts(shown)["steps"][3]["percent_now"] == "94.6"


def test_where_the_record_cannot_tell_the_papers_say_so(book, tmp_path):
    text = parallel("A")
    spec = dry.first_set(book, text)
    assert isinstance(with_standing(spec, None)[STANDING], NotKnown)
    with recorder_for(tmp_path / "another.sqlite") as other:
        assert standing_of(other.ledger, spec) == NotKnown("set_not_in_record")
    body = {"revision": 2, "text": f"{text}\n[later]\nkey = 1\n", "reason": "from a later version"}
    book.ledger.record(Kind.PRESCRIPTION, "A", body, "kim", START)
    assert standing_of(book.ledger, spec) == NotKnown("prescription_not_read")
    # Once it is replaced, the prescriptions that count can be read again.
    body = {"revision": 3, "text": text.replace("= 5.2\n", "= 4.2\n"), "reason": "trial fit"}
    seq = book.ledger.record(Kind.PRESCRIPTION, "A", body, "kim", START).seq
    assert standing_of(book.ledger, spec).case.now.entry == seq


def test_a_set_of_the_same_identifiers_from_other_inputs_is_not_known(book):
    spec = dry.first_set(book, parallel("A"))
    assert isinstance(
        standing_of(book.ledger, {**spec, "inputs_sha256": "0" * 64}), NotKnown)


@pytest.mark.parametrize("paper", PAPERS, ids=lambda paper: paper.name)
def test_every_paper_says_it_in_words_and_strikes(book, paper):
    """Read back from the PDF: on the first page, at the row, and never by colour alone."""
    text = parallel("A")
    spec = dry.first_set(book, text)
    shorten(book, text)
    shown = with_standing(spec, book.ledger)
    own = paper.pictures(shown) if paper.pictures else {}
    pdf = squeezed(text_of(compile_pdf(paper.template, paper.facts(shown), default_profile(), own)))
    said = standing_sentences(shown)[0]
    assert (squeezed(said) in pdf) is (paper.name != "wearers-page")  # which tells no percent
    on_top, at_rows = squeezed(f"{NOT_TO_BE_WORN}: "), squeezed(NOT_TO_BE_WORN)
    assert on_top in pdf
    rows = {"case-sheet": "Step4:", "build-sheet": "27.8,", "wearers-page": "",
            "bag-labels": "Step4,left", "inspection-form": grouped(last_rod(book).identifier)}
    row = squeezed(rows[paper.name])
    assert not row or row.rstrip(":,") + at_rows in pdf.replace(":", "").replace(",N", "N")
    plain = compile_pdf(paper.template, paper.facts(spec), default_profile(), own)
    assert at_rows not in squeezed(text_of(plain))


def of_lab(spec, **documents):
    """The same set of a lab with its own templates."""
    profile = replace(default_profile(), documents={f"{n}.typ": t for n, t in documents.items()})
    return {**spec, "profile": profile_json(profile)}


def words_of(spec, folder):
    """Write all papers but the drawing; give the words of each."""
    write_documents(spec, folder, {}, lambda _: None)
    return {path.stem: squeezed(text_of(path.read_bytes())) for path in folder.rglob("*.pdf")}


OWN = '#import "common.typ": *\n#show: frame.with(title: "Ours")\nNothing but our words.\n'


def test_a_labs_own_layout_cannot_leave_the_marks_out(book, tmp_path):
    text = parallel("A")
    spec = of_lab(dry.first_set(book, text), **{"wearers-page": OWN})
    assert "Nothingbutourwords" in words_of(spec, tmp_path / "holds")["wearers-page"]
    shorten(book, text)
    for paper, words in words_of(with_standing(spec, book.ledger), tmp_path / "moved").items():
        said = "NOT TO BE WORN" if paper == "wearers-page" else "protrusive range is 8.40 mm now"
        assert squeezed(said) in words
        assert "Nothingbutourwords" not in words


@pytest.mark.parametrize(("name", "told"), [("common", 1), ("rod-drawing", 1), ("certificate", 0)])
def test_layouts_of_a_sets_own_papers_that_were_not_used_are_told(book, name, told):
    """A certificate is no paper of a set; and where nothing changed, the lab's own serve."""
    text = parallel("A")
    spec = of_lab(dry.first_set(book, text), **{name: OWN})
    assert layouts_not_used(with_standing(spec, book.ledger)) == ()
    assert layouts_not_used(with_standing(spec, None)) == ()
    shorten(book, text)
    said = layouts_not_used(with_standing(spec, book.ledger))
    assert len(said) == told
    assert all(f"({name}.typ) were not used for these papers" in one for one in said)


def test_a_labs_older_copy_of_what_all_papers_share_still_serves(book, tmp_path):
    """Copied before there were marks: neither their file nor their place under the title."""
    ours = (templates_dir() / "documents" / "common.typ").read_text("utf-8")
    older = ours.replace('#import "standing.typ": *\n', "").replace("  standing-block\n", "")
    assert "standing" not in older.replace("outstanding", "")
    spec = of_lab(dry.first_set(book, parallel("A")), common=older)
    found = words_of(with_standing(spec, None), tmp_path)
    assert set(found) == {paper.name for paper in PAPERS}


# The commands themselves, with solids and files.


@pytest.fixture(scope="module")
def once(tmp_path_factory):
    """One recorded set made in full, and its range shortened from 9.2 to 8.4 mm afterwards."""
    folder = tmp_path_factory.mktemp("standing")
    text = parallel("A").replace("[70, 80, 90, 100]", "[70, 100]")
    with recorder_for(folder / "ledger.sqlite") as recorder:
        making.make(text, folder / "sets", recorder)
    shutil.copyfile(folder / "ledger.sqlite", folder / "before.sqlite")
    with recorder_for(folder / "ledger.sqlite") as recorder:
        shorten(recorder, text)
    return folder


@pytest.fixture
def straight(once, tmp_path):
    """The same, to be changed."""
    return shutil.copytree(once, tmp_path / "work")


def run(straight, *words, ledger="ledger.sqlite"):
    found = CliRunner().invoke(
        cli, [*map(str, words)],
        env={"LABKIT_LEDGER": str(straight / ledger) if ledger else "", "LABKIT_BY": "anna",
             "XDG_DATA_HOME": str(straight / "nothing")},
    )
    assert found.exit_code == 0, found.output
    return found.stdout


def sheet_of(folder):
    return squeezed(text_of((folder / "documents" / "case-sheet.pdf").read_bytes()))


def test_the_commands_write_and_say_it(straight):
    spec = json.loads((straight / "sets" / "A-r1" / "spacer-set.json").read_text())
    (rod,) = (use["identifier"] for part in spec["parts"] for use in part["uses"]
              if (use["step"], use["side"]) == (2, "left"))
    said = "The protrusive range is 8.40 mm now"
    out = run(straight, "replace", rod, "--reason", "too long", "--out", straight / "sets")
    assert said in out
    assert NOT_TO_BE_WORN in out
    between = ("extra", "A", "--percent", "85", "--out", straight / "sets", "--json")
    told = json.loads(run(straight, *between))
    assert told["changed"][0].startswith(said)
    assert told["changed"][1].startswith(NOT_TO_BE_WORN)
    for revision, place in (
        (2, "left 27.8 and right 27.8, step 2"), (3, "set 1, step 2 (109.5 %, 27.8/27.8)"),
    ):
        folder = straight / "sets" / f"A-r{revision}"
        assert squeezed(said) in sheet_of(folder)
        assert squeezed(f"NOT TO BE WORN: {place}") in sheet_of(folder)
        drawing = squeezed(text_of((folder / "documents" / "rod-drawing.pdf").read_bytes()))
        assert squeezed(said) in drawing
        assert STANDING not in json.loads((folder / "spacer-set.json").read_text())


def test_papers_look_into_the_record(straight, tmp_path):
    made = straight / "sets" / "A-r1"
    first = (made / "documents" / "case-sheet.pdf").read_bytes()
    holds, moved, alone = (tmp_path / name for name in ("holds", "moved", "alone"))
    out = run(straight, "papers", made, "--out", holds, ledger="before.sqlite")
    assert "Note" not in out
    assert (holds / "documents" / "case-sheet.pdf").read_bytes() == first
    out = run(straight, "papers", made, "--out", moved)
    assert "Note: The protrusive range is 8.40 mm now" in out
    assert squeezed("Step 2: NOT TO BE WORN") in sheet_of(moved)
    out = run(straight, "papers", made, "--out", alone, ledger="")
    assert "Note: The laboratory's record was not looked at" in out
    assert squeezed("The laboratory's record was not looked at") in sheet_of(alone)
    assert NOT_TO_BE_WORN not in sheet_of(alone)


def test_papers_printed_again_are_noted(straight, tmp_path):
    asked = ("papers", straight / "sets" / "A-r1", "--out", tmp_path / "again")
    assert "papers of A-r1 that were printed on" in run(straight, "recall", "--json")
    assert "Recorded in" in run(straight, *asked)
    assert "papers of A-r1" not in run(straight, "recall", "--json")
    (entry,) = re.findall(r"true as of entry (\d+)", run(straight, "show", "A"))
    first = sheet_of(tmp_path / "again")
    assert squeezed(f"True as of entry {entry} of the record") in first
    run(straight, *asked)
    assert sheet_of(tmp_path / "again") == first  # the note changes nothing that papers say


def test_a_named_record_that_is_not_there_is_refused(straight, tmp_path):
    found = CliRunner().invoke(cli, [
        "papers", str(straight / "sets" / "A-r1"), "--out", str(tmp_path / "x"),
        "--ledger", str(tmp_path / "none.sqlite"),
    ])
    assert found.exit_code == 2
    assert "there is no ledger at" in found.stderr
