"""The papers of a set: made with it, made again the same, refused when the set was changed."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import processes
from labkit.catalog.profiles import default_profile
from labkit.catalog.rods import rod_templates
from labkit.cli.main import cli
from labkit.documents.standing import STANDING
from labkit.exports.write.set_folder import seal, sha256_of, wrong_files
from labkit.workflow.sets import make as making_module
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.job import Means
from labkit.workflow.sets.make import make_set
from labkit.workflow.sets.papers import count_papers, open_set
from tests.support.making import recorder_for
from tests.support.prescriptions import SMALLEST, changed, source

DOCUMENTS = {
    "case-sheet.pdf",
    "wearers-page.pdf",
    "build-sheet.pdf",
    "rod-drawing.pdf",
    "rod-drawing.svg",
    "rod-drawing.dxf",
    "inspection-form.pdf",
    "inspection-form.csv",
    "bag-labels.pdf",
}
TEXT = changed(SMALLEST, ("percent = [50, 62.5, 75, 87.5, 100]", "percent = [50, 62.5]"))


def make(out, told=lambda _: None, recorder=None):
    case = open_case(source(TEXT), rod_templates())
    means = Means(processes()["nominal"], load_lettering(), default_profile())
    return make_set(case, means, out, told, recorder)


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """Make a recorded set once, with all papers and pictures. It is never changed."""
    folder = tmp_path_factory.mktemp("first")
    with recorder_for(folder / "ledger.sqlite") as recorder:
        return folder / "ledger.sqlite", make(folder / "sets", recorder=recorder)


@pytest.fixture
def made(first, tmp_path, tmp_path_factory, monkeypatch):
    """A copy of that set and of its record, so that `labkit papers` knows what holds."""
    kept, finished = first
    ledger = tmp_path_factory.mktemp("record") / "ledger.sqlite"
    shutil.copyfile(kept, ledger)
    monkeypatch.setenv("LABKIT_LEDGER", str(ledger))
    shutil.copytree(finished.folder, tmp_path / "sets" / finished.folder.name)
    return replace(finished, folder=tmp_path / "sets" / finished.folder.name)


def sums(folder):
    return {
        p.relative_to(folder).as_posix(): sha256_of(p) for p in folder.rglob("*") if p.is_file()
    }


def papers(*arguments):
    return CliRunner().invoke(cli, ["papers", *map(str, arguments)])


def test_a_set_has_all_papers_and_pictures(made):
    assert {p.name for p in (made.folder / "documents").iterdir()} == DOCUMENTS
    pictures = {p.name for p in (made.folder / "pictures").iterdir()}
    assert pictures == {"set.svg", "set.glb", "set.png", "35.9.png", "34.5.png"}


def test_the_progress_bar_knows_how_many_files_there_are(tmp_path):
    told = []
    made = make(tmp_path, told.append)
    assert len(told) == len(made.parts) + 1 + count_papers(len(made.parts))


def test_made_again_they_are_the_same(made):
    before = sums(made.folder)
    (made.folder / "documents" / "case-sheet.pdf").unlink()
    result = papers(made.folder)
    assert result.exit_code == 0, result.output
    assert sums(made.folder) == before


def test_made_elsewhere_with_another_profile(made, tmp_path):
    before = sums(made.folder)
    profile = tmp_path / "lab.toml"
    profile.write_text('schema = 1\nname = "Harrow Lane Bench"\npaper = "us-letter"\n')
    result = papers(made.folder, "--profile", profile, "--out", tmp_path / "letter")
    assert result.exit_code == 0, result.output
    assert {p.name for p in (tmp_path / "letter" / "documents").iterdir()} == DOCUMENTS
    other = (tmp_path / "letter" / "documents" / "case-sheet.pdf").read_bytes()
    assert other != (made.folder / "documents" / "case-sheet.pdf").read_bytes()
    assert sums(made.folder) == before


def test_another_profile_becomes_the_sets_own(made, tmp_path):
    before = sums(made.folder)
    profile = tmp_path / "lab.toml"
    profile.write_text('schema = 1\nname = "Harrow Lane Bench"\n')
    assert papers(made.folder, "--profile", profile).exit_code == 0
    assert wrong_files(made.folder) == ()
    assert open_set(made.folder)["profile"]["name"] == "Harrow Lane Bench"
    after = sums(made.folder)
    changed = {name for name in before if before[name] != after[name]}
    assert all(name.split("/")[0] in ("documents", "spacer-set.json", "SHA256SUMS")
               for name in changed)
    assert papers(made.folder).exit_code == 0
    assert sums(made.folder) == after


@pytest.mark.parametrize("kind", ["step", "stl"])
def test_a_changed_part_is_refused(made, kind):
    path = next((made.folder / kind).iterdir())
    path.write_bytes(path.read_bytes() + b"\n")
    result = papers(made.folder)
    assert result.exit_code == 2
    assert f"{kind}/{path.name} is missing or not as it was made" in result.stderr


def test_a_changed_spec_is_refused(made):
    path = made.folder / "spacer-set.json"
    path.write_text(path.read_text("utf-8").replace('"35.9"', '"36.9"'))
    result = papers(made.folder)
    assert result.exit_code == 2
    assert "spacer-set.json is missing or not as it was made" in result.stderr


@pytest.mark.parametrize("name", ["missing", "."])
def test_a_folder_that_is_no_set(tmp_path, name):
    result = papers(tmp_path / name)
    assert result.exit_code == 2
    assert "is not a finished set" in result.stderr


def resealed(folder, change):
    """Change the spec of a set and its list of sums, as one who means harm would."""
    path = folder / "spacer-set.json"
    spec = json.loads(path.read_text("utf-8"))
    change(spec)
    path.write_text(json.dumps(spec), "utf-8")
    seal(folder)


def put(*places):
    """Make a change that puts a value at a place of the spec."""
    *course, last, value = places

    def change(spec):
        for key in course:
            spec = spec[key]
        spec[last] = value

    return change


HARM = {
    "template outside": (
        put("profile", "documents", {"/OUT/evil.typ": "x"}), "not one of the program's templates"),
    "template above": (
        put("profile", "documents", {"../evil.typ": "x"}), "not one of the program's templates"),
    "template with a package": (
        put("profile", "documents", {"wearers-page.typ": '#import "@preview/a:1.0.0"'}),
        "imports a package"),
    "logo": (
        put("profile", "logo", {"kind": "/../../OUT/evil", "base64": "AAAA"}), "png or svg"),
    "identifier outside": (
        put("parts", 0, "uses", 0, "identifier", "/../../OUT/evil"), "ten digits"),
    "identifier long": (put("parts", 0, "uses", 0, "identifier", "1" * 40), "ten digits"),
    "identifier without its check digit": (
        put("parts", 0, "uses", 0, "identifier", "1234567890"), "right check digit"),
    "part": (put("parts", 0, "part", "../../OUT/evil"), "parts.0.part"),
    "mark": (put("parts", 0, "mark", "/"), "parts.0.mark"),
    "file outside": (put("parts", 0, "files", "stl", "/etc/hostname"), "in the set's folder stl/"),
    "file above": (put("parts", 0, "files", "step", "step/../../a"), "in the set's folder step/"),
    "file of another kind": (
        put("parts", 0, "files", "stl", "documents/case-sheet.pdf"), "in the set's folder stl/"),
    "profile without keys": (put("profile", {"name": "x"}), "logo is missing"),
    "profile of the wrong type": (put("profile", "address", 3), "profile kept in the set"),
    "older, without tolerances": (lambda spec: spec.pop("tolerances_mm"), "is missing"),
    "revision": (put("revision", "1"), "revision = "),
    "step": (put("lengths", "steps", 0, "percent", None), "lengths.steps.0.percent"),
    "date": (put("date", "yesterday"), "a date such as 2031-03-14"),
    "plate": (put("plates", 0, "placements", 0, "part", "99.9"), "no part of the set"),
}


@pytest.mark.parametrize("name", HARM)
def test_a_spec_that_cannot_be_trusted_is_told_in_one_sentence(made, tmp_path, name):
    change, words = HARM[name]
    (tmp_path / "out").mkdir()

    def harm(spec):
        change(spec)
        text = json.dumps(spec).replace("/OUT", str(tmp_path / "out"))
        spec.clear()
        spec.update(json.loads(text))

    resealed(made.folder, harm)
    before = sums(tmp_path)
    result = papers(made.folder)
    assert result.exit_code == 2, result.output
    assert words in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert "Traceback" not in result.stderr
    assert sums(tmp_path) == before


def test_sums_that_name_a_file_outside_are_refused(made):
    with (made.folder / "SHA256SUMS").open("a") as stream:
        stream.write(f"{'0' * 64}  ../../elsewhere\n")
    result = papers(made.folder)
    assert result.exit_code == 2
    assert "which is not a file of the set" in result.stderr


@pytest.mark.parametrize("name", ["checks.json", "spacer-set.csv", "plates/QF-1043-r1_plate-1.3mf"])
def test_another_damaged_file_is_told_and_never_sealed_anew(made, name):
    path = made.folder / name
    path.write_bytes(path.read_bytes() + b"\n")
    kept = (made.folder / "SHA256SUMS").read_text()
    result = papers(made.folder)
    assert result.exit_code == 2
    assert f"{name} is missing or not as it was made" in result.stderr
    assert (made.folder / "SHA256SUMS").read_text() == kept


def test_only_papers_and_pictures_get_new_sums_and_foreign_files_are_left(made):
    kept = (made.folder / "SHA256SUMS").read_text().splitlines()
    lost = made.folder / "documents" / "build-sheet.pdf"
    lost.unlink()
    (made.folder / "note.txt").write_text("ours")
    (made.folder / "documents" / "signed.pdf").write_text("ours")
    assert papers(made.folder).exit_code == 0
    assert (made.folder / "SHA256SUMS").read_text().splitlines() == kept
    assert lost.read_bytes().startswith(b"%PDF")
    assert (made.folder / "note.txt").read_text() == "ours"
    assert (made.folder / "documents" / "signed.pdf").read_text() == "ours"


def test_a_link_in_place_of_a_folder_is_refused(made, tmp_path):
    (made.folder / "documents").rename(tmp_path / "elsewhere")
    (made.folder / "documents").symlink_to(tmp_path / "elsewhere")
    result = papers(made.folder)
    assert result.exit_code == 2
    assert "documents is a link" in result.stderr


def test_out_is_no_finished_set(made, tmp_path):
    other = make(tmp_path / "other")
    for place in (other.folder, made.folder / "documents"):
        result = papers(made.folder, "--out", place)
        assert result.exit_code == 2
        assert "is a finished set or lies in one" in result.stderr


KILLED = """
import os, sys
from pathlib import Path
from labkit.ledger.store import look_into
from labkit.workflow.sets.papers import open_set, remake_papers
from labkit.workflow.sets.standing import with_standing
root, when, out = Path(sys.argv[1]), sys.argv[2], sys.argv[3:]
def kill():
    os.kill(os.getpid(), 9)
moved, replace = [], Path.replace
def counted(path, place):
    moved.append(place)
    kill() if when == f"move {len(moved)}" else replace(path, place)
Path.replace = counted
told = lambda name: kill() if when == name else None
with look_into(None) as reader:
    spec = with_standing(open_set(root), reader)
remake_papers(root, spec, Path(out[0]) if out else None, None, told)
"""


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL")
@pytest.mark.parametrize(
    "when",
    ["case-sheet.pdf", "move 4",
     *(pytest.param(each, marks=pytest.mark.slow)
       for each in ("set.svg", "rod-drawing.dxf", "move 1", "move 12"))],
)
def test_a_kill_leaves_a_whole_set_that_the_next_run_finishes(made, when):
    before = sums(made.folder)
    code = [sys.executable, "-c", KILLED, str(made.folder), when]
    run = subprocess.run(code, cwd=Path(__file__).parents[2], check=False)
    assert run.returncode == -signal.SIGKILL
    assert sums(made.folder) == before
    beside = {p.name for p in made.folder.parent.iterdir()}
    assert f".{made.folder.name}.papers.unfinished" in beside
    assert papers(made.folder).exit_code == 0
    assert sums(made.folder) == before
    left = {p.name for p in made.folder.parent.iterdir()}
    assert left == {made.folder.name}


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL")
def test_a_kill_elsewhere_is_tidied_by_the_next_run(made, tmp_path):
    out = tmp_path / "out"
    code = [sys.executable, "-c", KILLED, str(made.folder), "case-sheet.pdf", str(out)]
    run = subprocess.run(code, cwd=Path(__file__).parents[2], check=False)
    assert run.returncode == -signal.SIGKILL
    assert papers(made.folder, "--out", out).exit_code == 0
    assert {p.name for p in out.iterdir()} == {"documents", "pictures"}


def test_the_command_counts_its_files(made, monkeypatch):
    totals = []
    from labkit.cli.sets import papers as command

    counting = command.counting
    monkeypatch.setattr(
        command, "counting", lambda words, total: (totals.append(total), counting(words, total))[1]
    )
    assert papers(made.folder).exit_code == 0
    assert totals == [count_papers(len(made.parts))]
    folders = [made.folder / name for name in ("documents", "pictures")]
    assert totals == [sum(len(list(folder.iterdir())) for folder in folders)]


def test_a_filled_in_form_is_never_overwritten(made):
    form = made.folder / "documents" / "inspection-form.csv"
    filled = form.read_text("utf-8").replace("\n", " \n")
    form.write_text(filled, "utf-8")
    result = papers(made.folder)
    assert result.exit_code == 2
    assert "inspection-form.csv was written into since it was made; move it" in result.stderr
    assert form.read_text("utf-8") == filled


def test_a_set_that_is_not_recorded_asks_nobody(tmp_path, monkeypatch):
    told = []
    monkeypatch.setattr(making_module, "write_papers", lambda _, spec, *__: told.append(spec) or ())
    assert make(tmp_path).changed == ()
    assert STANDING not in told[0]
