"""`labkit replace`, `release` and `certificate` as they are typed, in process."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.cli.rods.replace import whole_identifiers
from labkit.core.case.identifier import grouped
from labkit.ledger.store import open_ledger
from labkit.workflow.inspection.judged_set import set_to_judge
from labkit.workflow.rods.slots import slots_of
from tests.documents.pdfs import squeezed, text_of
from tests.support.making import CASE, ONE, recorder_for
from tests.support.measured import measure_all, record_reading

FIRST = f"{CASE}-r1"
TEXT = ONE.replace("[50]", "[50, 75]")


@pytest.fixture
def run(tmp_path):
    def invoke(*arguments, by="kim"):
        env = {
            "COLUMNS": "200", "LABKIT_LEDGER": str(tmp_path / "ledger.sqlite"), "LABKIT_BY": by,
        }
        return CliRunner().invoke(cli, list(map(str, arguments)), env=env)

    return invoke


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr("labkit.workflow.sets.make.write_papers", lambda *_: ())


@pytest.fixture
def sets(quick, run, tmp_path):
    """A folder with one recorded set of two steps."""
    rx = tmp_path / "rx.toml"
    rx.write_text(TEXT)
    result = run("make", rx, "--out", tmp_path / "sets", by="anna")
    assert result.exit_code == 0, result.stderr
    return tmp_path / "sets"


@pytest.fixture
def measured(sets, tmp_path):
    """The same, every rod measured."""
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        measure_all(recorder, CASE)
    return sets


def first_rod(tmp_path):
    with open_ledger(str(tmp_path / "ledger.sqlite"), create=False) as ledger:
        return slots_of(ledger, set_to_judge(ledger, CASE, None))[0].rod


@pytest.mark.parametrize("name", ["replace", "release", "certificate"])
def test_help_has_an_example_and_says_what_is_refused(run, name):
    result = run(name, "--help")
    assert result.exit_code == 0
    assert f"Example: labkit {name}" in result.stdout
    assert "LABKIT_LEDGER" in result.stdout


def test_a_set_is_released_with_its_certificate_beside_it(run, measured, tmp_path):
    result = run("release", CASE)
    assert result.exit_code == 0, result.stderr
    (pdf,) = measured.glob("*.pdf")
    assert f"Certificate: {pdf}" in result.stdout
    assert f"Set {FIRST} released by kim, entry" in result.stdout
    assert "Cautions" in result.stdout
    again = run("certificate", CASE, "--out", tmp_path)
    assert again.exit_code == 0, again.stderr
    assert (tmp_path / pdf.name).read_bytes() == pdf.read_bytes()
    told = run("show", CASE).stdout
    assert f"{FIRST} was released by kim (entry" in told
    assert "no rod and no reading has changed since" in told


def test_the_printed_certificate_equals_the_record(run, measured, tmp_path):
    result = run("release", CASE, "--note", "second look", "--json")
    assert result.exit_code == 0, result.stderr
    said = json.loads(result.stdout)
    text = squeezed(text_of(Path(said["certificate"]).read_bytes()))
    with open_ledger(str(tmp_path / "ledger.sqlite"), create=False) as ledger:
        event = ledger.event(said["event"])
    assert event.body["basis"] == said["basis"]
    assert event.digest == said["digest"]
    for rod in event.body["basis"]["rods"]:
        for words in (
            grouped(rod["identifier"]), ", ".join(rod["readings_mm"]), rod["label"],
            f"{rod['measured_mm']:.3f} {rod['u_mm']:.4f}", f"{rod['expanded_mm']:.4f}",
            rod["instrument"]["title"], rod["measured_by"], rod["checked_by"], rod["result"],
            rod["material_lot"], f"{rod['temperature_c']} °C",
        ):
            assert squeezed(words) in text, words
    for words in (event.digest, f"entry {event.seq} of", event.at[:10], "second look"):
        assert squeezed(words) in text, words


def test_one_person_releases_by_the_profile_of_the_lab_alone(run, measured, tmp_path):
    refused = run("release", CASE, by="mo")
    assert refused.exit_code == 1
    assert "mo measured 4 rods of the set" in refused.stderr
    profile = tmp_path / "profile.toml"
    profile.write_text("schema = 1\none_person = true\n", "utf-8")
    result = run("release", CASE, "--profile", profile, by="mo")
    assert result.exit_code == 0, result.stderr
    (pdf,) = measured.glob("*.pdf")
    told = squeezed("the profile says that the lab is one person")
    assert told in squeezed(text_of(pdf.read_bytes()))


def test_each_thing_that_is_missing_is_a_line(run, sets):
    result = run("release", CASE)
    assert result.exit_code == 1
    lines = [line for line in result.stderr.splitlines() if line]
    assert lines[0] == f"labkit: the set {FIRST} is not released:"
    assert len(lines) == 5
    assert all("was not measured; measure it" in line for line in lines[1:])
    assert list(sets.glob("*.pdf")) == []


def test_replacing_a_released_rod_shows_that_the_release_is_no_longer_whole(
    run, measured, tmp_path
):
    assert run("release", CASE).exit_code == 0
    old = first_rod(tmp_path)
    words = grouped(old.identifier).split()
    result = run("replace", *words, "--reason", "cracked", "--out", measured)
    assert result.exit_code == 0, result.stderr
    assert "Replacements" in result.stdout
    new = first_rod(tmp_path)
    assert grouped(new.identifier) in result.stdout
    told = run("show", CASE).stdout
    assert "the release is no longer valid" in told
    assert f"ordered: 35.9 left to replace {grouped(old.identifier)}" in told
    found = run("find", old.identifier).stdout
    assert f"Replaced by: {grouped(new.identifier)} of {CASE}-r2, made" in found
    found = run("find", new.identifier).stdout
    assert f"Replaces: {grouped(old.identifier)} of {FIRST}, rejected" in found
    result = run("certificate", CASE)
    assert result.exit_code == 1
    assert "is no longer valid" in result.stderr
    shown = json.loads(run("show", CASE, "--json").stdout)
    (release,) = shown["releases"]
    assert (release["set"], release["decision"], release["stands"]) == (FIRST, "released", False)
    replaced = {rod["identifier"]: rod["replaces"] for rod in shown["rods"]}
    assert replaced[new.identifier] == old.identifier
    assert json.loads(run("find", old.identifier, "--json").stdout)["replaced_by"] == new.identifier
    assert json.loads(run("cases", "--json").stdout)["rods_out"] == 4


def test_withholding(run, measured):
    assert run("release", CASE).exit_code == 0
    result = run("release", CASE, "--withhold", "recalled")
    assert result.exit_code == 0, result.stderr
    assert f"Set {FIRST} withheld by kim, entry" in result.stdout
    assert f"Note: {FIRST} was withheld by kim" in run("show", CASE).stdout
    said = json.loads(run("release", CASE, "--withhold", "x", "--json").stdout)
    assert said["decision"] == "withheld"
    assert "say with --note" in run("release", CASE).stderr
    (first,) = (e["seq"] for e in json.loads(run("show", CASE, "--json").stdout)["events"]
                if e["text"] == f"set {FIRST} released")
    result = run("certificate", CASE, "--entry", str(first), "--out", measured)
    assert f"{FIRST}-certificate-{first}-void.pdf" in result.stdout
    assert "Note: the release is no longer valid: the set was withheld since" in result.stdout


WRONG = {
    "no reason": (["release", CASE, "--withhold", " "], 2, "say why the set is withheld"),
    "withheld with note": (
        ["release", CASE, "--withhold", "x", "--note", "y"], 2, "leave out --out and --note",
    ),
    "unknown case": (["release", "QF-104"], 2, "did you mean QF-1043?"),
    "unknown set": (["release", CASE, "--set", "r9"], 2, "has no set 'r9'; it has QF-1043-r1"),
    "never released": (["certificate", CASE], 1, "was never released; release it with"),
    "no such event": (["certificate", CASE, "--entry", "2"], 2, "entry 2 is not the release"),
    "no number of an event": (
        ["certificate", CASE, "--event", "9" * 30], 2, f"entry {'9' * 30} is not the release",
    ),
}


def test_what_is_refused_is_one_sentence_and_leaves_nothing(run, sets, tmp_path):
    with open_ledger(str(tmp_path / "ledger.sqlite"), create=False) as ledger:
        before = ledger.head()
        for name, (words, code, sentence) in WRONG.items():
            result = run(*words)
            assert result.exit_code == code, (name, result.stderr)
            assert sentence in result.stderr, name
            assert "Traceback" not in result.stderr
        assert ledger.head() == before


def test_without_a_ledger_none_is_begun(run, tmp_path):
    for words in (["release", CASE], ["certificate", CASE],
                  ["replace", "1", "--reason", "x", "--out", tmp_path]):
        assert run(*words).exit_code == 2
    assert not (tmp_path / "ledger.sqlite").exists()


def test_identifiers_typed_in_groups_are_put_together():
    typed = ("482", "917", "3065", "482-917-3065", "4829173065", "4829", "482 917", "3065",
             "4829-482-917-3065", "48294829173065", "48")
    assert whole_identifiers(typed) == (
        "4829173065", "482-917-3065", "4829173065", "4829482 9173065", "4829-482-917-3065",
        "48294829173065", "48",
    )
    assert whole_identifiers(("",)) == ("",)


def test_a_replacements_papers_are_true(run, measured, tmp_path, monkeypatch):
    """With all papers: who is replaced stands on the case sheet, one rod on all the others."""
    monkeypatch.undo()
    old = first_rod(tmp_path)
    words = ("replace", old.identifier, "--reason", "cracked", "--out", measured, "--json")
    result = run(*words)
    assert result.exit_code == 0, result.stderr
    folder = Path(json.loads(result.stdout)["folder"])
    new = first_rod(tmp_path)
    papers = {p.stem: squeezed(text_of(p.read_bytes())) for p in folder.rglob("documents/*.pdf")}
    sheet = papers["case-sheet"]
    row = f"{grouped(new.identifier)} 35.9 step 1, left {grouped(old.identifier)} {FIRST}"
    assert squeezed(row) in sheet
    assert squeezed("accompanies only the replacement rods listed here") in sheet
    assert squeezed("1 rod, Eye-eye flat bar") in papers["inspection-form"]
    assert squeezed("1 piece of 1 part on 1 plate") in papers["build-sheet"]
    with open_ledger(str(tmp_path / "ledger.sqlite"), create=False) as ledger:
        others = {rod.identifier for rod in ledger.rods(CASE)} - {new.identifier}
    for name in ("inspection-form", "bag-labels"):
        assert squeezed(grouped(new.identifier)) in papers[name]
        assert not any(squeezed(grouped(other)) in papers[name] for other in others)
    again = run("papers", folder)
    assert again.exit_code == 0, again.stderr


def test_a_set_released_with_a_replacement_does_not_stop_recall(run, measured, tmp_path):
    old = first_rod(tmp_path)
    assert run("replace", old.identifier, "--reason", "cracked", "--out", measured).exit_code == 0
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        measure_all(recorder, CASE)
    assert run("release", CASE).exit_code == 0
    result = run("recall")
    assert (result.exit_code, result.stderr) == (0, "")


def test_a_rod_measured_again_after_its_release_is_not_handed_out(run, measured, tmp_path):
    assert run("release", CASE).exit_code == 0
    rod = first_rod(tmp_path)
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        record_reading(recorder, rod, "0.4")
    result = run("rod", rod.identifier, "delivered")
    assert result.exit_code == 1
    assert "was measured again after it was released (entry" in result.stderr
    assert run("rod", rod.identifier, "delivered", "--unreleased", "a trial only").exit_code == 0
