"""A set that is made already: no rod is made twice, no identifier changes, no file is trusted."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import shutil

import pytest

import labkit
from labkit.catalog.profiles import Profile, profile_json
from labkit.core.jsonable import jsonable
from labkit.errors import CheckError, DeliveryError, InputError
from labkit.exports.write.set_folder import SPEC_FILE, sums_of, wrong_files
from labkit.ledger.events import Kind
from labkit.workflow.sets import again, papers
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.make import job_of
from labkit.workflow.sets.spec import is_of_job
from tests.support.making import CASE, INSTALLED, MEANS, ONE, identifiers_in, make
from tests.support.prescriptions import changed, source

TWO = changed(ONE, ("[50]", "[50, 75]"))
FIRST = f"{CASE}-r1"
BENCH = dataclasses.replace(MEANS, profile=Profile(name="Harrow Lane Bench"))


def job(text=TWO, means=MEANS):
    return job_of(open_case(source(text), dict(INSTALLED.templates)), means)


def rod_files(folder):
    sums = sums_of(folder)
    return {name: sums[name] for name in sums if name.split("/")[0] in ("step", "stl", "plates")}


def kinds(recorder):
    return [event.kind for event in recorder.ledger.story(CASE)]


@pytest.fixture
def lying(recorded, two_steps, out):
    """The recorded set, a copy of which lies in `out` as if it had been moved there."""
    shutil.copytree(two_steps.parent / "sets" / FIRST, out / FIRST)
    return out / FIRST


def test_papers_words_are_no_part_of_identifiers_and_lettering_is():
    assert job(means=BENCH).inputs_sha256 == job().inputs_sha256
    kept = tuple(glyph for glyph in INSTALLED.lettering.glyphs if glyph.char != "7")
    other = dataclasses.replace(INSTALLED.lettering, glyphs=kept)
    assert job(means=dataclasses.replace(MEANS, lettering=other)).inputs_sha256 != (
        job().inputs_sha256)
    assert job(changed(TWO, ("protruded = 6.4", "protruded = 6.5"))).inputs_sha256 != (
        job().inputs_sha256)


def test_a_set_made_while_the_profile_counted_is_known_again():
    before = job()
    # The rule of then, spelled out: the profile in place of the lettering.
    spec = {"inputs_sha256": digest_with_profile(before), "profile": profile_json(BENCH.profile)}
    assert is_of_job(spec, before)
    assert not is_of_job({**spec, "profile": profile_json(MEANS.profile)}, before)
    assert not is_of_job(spec, job(changed(TWO, ("registered = 2.9", "registered = 3.0"))))


def digest_with_profile(of):
    content = {
        "program": labkit.__version__,
        "prescription": jsonable(of.case.prescription),
        "template": jsonable(of.case.template),
        "process": jsonable(of.means.process),
        "profile": profile_json(BENCH.profile),
    }
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def test_another_folder_makes_no_other_rods(recorded, two_steps, out):
    before = recorded.ledger.head()
    home = two_steps.parent / "sets" / FIRST
    with pytest.raises(DeliveryError) as refused:
        make(TWO, out, recorded)
    said = str(refused.value)
    assert f"made already: it is {FIRST}, recorded by anna on 2031-03-14 in {home}, " in said
    assert "where every file is as it was made; nothing was written" in said
    assert f"in {out} too, add --copy; rods that are missing or do not conform are" in said
    assert recorded.ledger.head() == before
    assert not any(path for path in out.iterdir() if not path.name.startswith("."))


def test_the_same_files_are_written_to_another_folder(recorded, two_steps, out):
    home = two_steps.parent / "sets" / FIRST
    made = make(TWO, out, recorded, copy=True, means=BENCH)
    assert made.folder == out / FIRST
    assert rod_files(made.folder) == rod_files(home)
    kept = recorded.ledger.set_named(FIRST).spec.content
    assert identifiers_in(made.spec) == identifiers_in(kept)
    assert made.spec["profile"]["name"] == "Harrow Lane Bench"
    assert wrong_files(made.folder) == ()
    assert f"already, as {FIRST}, recorded by anna on 2031-03-14: its files were" in made.again
    assert kinds(recorded).count(Kind.SET_STARTED) == 1
    assert kinds(recorded)[-1] is Kind.PAPERS_PRINTED


def test_other_rods_never_get_recorded_identifiers(recorded):
    kept = recorded.ledger.set_named(FIRST).spec.content
    other = {**kept, "parts": kept["parts"][1:]}
    with pytest.raises(CheckError, match=r"makes it otherwise \(parts\); nothing was written"):
        again._require_same(FIRST, kept, other)


def test_a_set_that_lies_there_is_told_after_its_files_were_checked(recorded, lying):
    with pytest.raises(DeliveryError, match=f"lies in .*{FIRST} already, .* every file in it is"):
        make(TWO, lying.parent, recorded)


@pytest.mark.parametrize("kind", ["changed", "missing", "more"])
def test_a_set_that_is_not_as_it_was_made_is_told_by_name(recorded, lying, kind):
    step = next((lying / "step").iterdir())
    if kind == "changed":
        step.write_bytes(step.read_bytes() + b"\n")
        wrong = f"step/{step.name} was changed"
    elif kind == "missing":
        step.unlink()
        wrong = f"step/{step.name} is missing"
    else:
        (lying / "note.txt").write_text("x")
        wrong = "note.txt is not in its list of sums"
    before = recorded.ledger.head()
    for means in (MEANS, BENCH):
        with pytest.raises(DeliveryError) as refused:
            make(TWO, lying.parent, recorded, means=means)
        assert f"{lying} is not as it was made: {wrong}; nothing was written" in str(refused.value)
        assert "or move the folder away and run again: the same rods" in str(refused.value)
    assert recorded.ledger.head() == before


def test_a_set_without_its_list_of_sums_is_told(recorded, lying):
    (lying / "SHA256SUMS").unlink()
    with pytest.raises(InputError, match="SHA256SUMS cannot be read"):
        make(TWO, lying.parent, recorded)


def test_another_profile_makes_other_papers_and_no_rod(recorded, lying, monkeypatch):
    monkeypatch.setattr(again, "remake_papers", papers_only(monkeypatch))
    files, entries = rod_files(lying), len(kinds(recorded))
    before = json.loads((lying / SPEC_FILE).read_text("utf-8"))
    made = make(TWO, lying.parent, recorded, means=BENCH)
    assert made.folder == lying
    assert made.parts == ()
    assert "Only the profile differs, so its papers were made again with it" in made.again
    spec = json.loads((lying / SPEC_FILE).read_text("utf-8"))
    assert spec == {**before, "profile": profile_json(BENCH.profile)}
    assert rod_files(lying) == files
    assert wrong_files(lying) == ()
    assert kinds(recorded)[entries:] == [Kind.PAPERS_PRINTED]
    with pytest.raises(DeliveryError, match="already"):
        make(TWO, lying.parent, recorded, means=BENCH)


def papers_only(monkeypatch):
    """Give the making of papers with one paper, which shows the profile's name."""
    def write(_, spec, target, __):
        (target / "documents").mkdir()
        (target / "documents" / "case-sheet.pdf").write_text(spec["profile"]["name"])
        return ()

    monkeypatch.setattr(papers, "write_papers", write)
    return papers.remake_papers


def test_a_recorded_set_moved_away_is_written_again_where_it_belongs(
    recorded, two_steps, out, tmp_path
):
    home = two_steps.parent / "sets" / FIRST
    away = tmp_path / "away"
    home.rename(away)
    try:
        with pytest.raises(DeliveryError, match="where nothing lies now"):
            make(TWO, out, recorded)
        made = make(TWO, home.parent, recorded)
        assert made.folder == home
        assert rod_files(home) == rod_files(away)
        kept = recorded.ledger.set_named(FIRST).spec.content
        assert identifiers_in(made.spec) == identifiers_in(kept)
    finally:
        shutil.rmtree(home, ignore_errors=True)
        away.rename(home)
