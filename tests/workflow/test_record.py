"""Recording in `labkit make`: reserved, made, abandoned, settled; what goes wrong is told."""

from __future__ import annotations

import json
import os
import resource
import shutil
import signal
import sqlite3

import pytest

from labkit.core.jsonable import jsonable
from labkit.errors import CheckError, DeliveryError, InputError, LedgerError, RefusedError
from labkit.exports.check import part as check_part
from labkit.exports.write.set_folder import sha256_of
from labkit.ledger.events import Kind
from labkit.ledger.reconcile import Action, reconcile
from labkit.ledger.store import open_ledger
from labkit.ledger.stored import SetState
from labkit.ledger.verify import verify
from labkit.workflow.record.recorder import Recorder
from labkit.workflow.sets import job as job_module
from labkit.workflow.sets import make as make_module
from labkit.workflow.sets.make import job_of
from labkit.workflow.sets.on_disk import look_at, unrecorded
from tests.support.making import (
    CASE,
    INSTALLED,
    MEANS,
    ONE,
    START,
    identifiers_in,
    make,
    recorder_for,
)
from tests.support.prescriptions import changed, source

TWO = changed(ONE, ("[50]", "[50, 75]"))
THREE = changed(ONE, ("[50]", "[50, 80]"))


@pytest.fixture
def file(tmp_path):
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def recorder(file):
    with recorder_for(file) as recorder:
        yield recorder


def visible(folder):
    return sorted(path.name for path in folder.iterdir() if not path.name.startswith("."))


def states(ledger):
    return {stored.name: stored.state for stored in ledger.sets(CASE)}


def settle_all(ledger, out):
    """Reconcile, and demand that record and disk agree afterwards."""
    done = reconcile(ledger, look_at, "anna", START)
    assert Action.TELL not in {decision.action for decision in done}, done
    made = {name for name, state in states(ledger).items() if state is SetState.MADE}
    assert made == {path.name for path in out.iterdir() if path.is_dir() and path.name[0] != "."}
    assert unrecorded(out, ledger.sets(CASE)) == ()
    assert SetState.STARTED not in states(ledger).values()
    assert verify(ledger).problems == ()
    return done


def killed_at(moment, file, out, text=ONE):
    """Make a set in a process that kills itself when `moment` is called the first time."""
    child = os.fork()
    if child == 0:
        owner, name = moment
        setattr(owner, name, lambda *_, **__: os.kill(os.getpid(), signal.SIGKILL))
        with recorder_for(file) as recorder:
            make(text, out, recorder)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status)


def test_the_record_holds_everything_the_set_was_made_from(no_papers, recorder, out):
    made = make(TWO, out, recorder)
    ledger = recorder.ledger
    assert [event.kind for event in ledger.events()] == [
        Kind.CASE_OPENED, Kind.PRESCRIPTION, Kind.SET_STARTED, Kind.SET_MADE,
    ]
    (stored,) = ledger.sets(CASE)
    assert (stored.name, stored.folder) == ("QF-1043-r1", str(made.folder))
    assert (stored.state, stored.purpose) == (SetState.MADE, "set")
    assert stored.prescription.text == TWO
    assert stored.template.content == jsonable(
        INSTALLED.templates["eye-eye-flat"].used_for("")
    )
    assert stored.process.content == jsonable(MEANS.process)
    assert stored.spec.content == json.loads((made.folder / "spacer-set.json").read_text())
    assert stored.sums_sha256 == sha256_of(made.folder / "SHA256SUMS")
    kept = {(rod.step, rod.side): rod for rod in ledger.rods(CASE)}
    assert {place: rod.identifier for place, rod in kept.items()} == identifiers_in(made.spec)
    assert {rod.state for rod in kept.values()} == {"made"}
    assert {p: (r.length_um, r.label) for p, r in kept.items() if p[1] == "left"} == {
        (1, "left"): (35_900, "35.9"), (2, "left"): (33_000, "33.0"),
    }
    settle_all(ledger, out)


def test_a_new_text_is_a_new_revision_and_an_old_one_is_refused(no_papers, recorder, out):
    make(ONE, out, recorder)
    make(TWO, out, recorder)
    make(THREE, out, recorder)
    with pytest.raises(RefusedError, match="this text is revision 1 of the prescription of QF-1"):
        make(ONE, out, recorder)
    assert [s.prescription.revision for s in recorder.ledger.sets(CASE)] == [1, 2, 3]
    assert visible(out) == ["QF-1043-r1", "QF-1043-r2", "QF-1043-r3"]
    settle_all(recorder.ledger, out)


def test_the_revision_is_above_all_that_ledger_and_folder_know(no_papers, recorder, out, tmp_path):
    make(ONE, out, recorder)
    other = tmp_path / "other"
    assert make(TWO, other, recorder).folder.name == "QF-1043-r2"
    foreign = out / "QF-1043-r7"
    foreign.write_text("mine")
    assert make(THREE, out, recorder).folder.name == "QF-1043-r8"
    assert foreign.read_text() == "mine"
    everywhere = [rod.identifier for rod in recorder.ledger.rods(CASE)]
    assert len(everywhere) == len(set(everywhere)) == 10


def test_the_next_attempt_is_taken_where_an_identifier_is_taken(
    no_papers, recorder, out, monkeypatch
):
    """A digest of few values brings collisions, which fourteen digits would hardly ever."""
    real = job_module.rod_identifier
    monkeypatch.setattr(
        job_module, "rod_identifier",
        lambda digest, revision, step, side, attempt, ledger: real("x", 1, 1, "left", attempt % 9),
    )
    first, second = make(TWO, out, recorder), make(THREE, out, recorder)
    named = [*identifiers_in(first.spec).values(), *identifiers_in(second.spec).values()]
    assert named == [real("x", 1, 1, "left", attempt) for attempt in range(8)]
    assert {rod.identifier for rod in recorder.ledger.rods(CASE)} == set(named)


def test_a_set_that_fails_its_checks_is_abandoned(no_papers, recorder, out, monkeypatch):
    def broken(*_):
        raise CheckError("part 35.9 does not measure as it should\nat all")

    monkeypatch.setattr(check_part, "check_part", broken)
    with pytest.raises(CheckError):
        make(ONE, out, recorder)
    assert states(recorder.ledger) == {"QF-1043-r1": SetState.ABANDONED}
    story = recorder.ledger.story(CASE)
    assert story[-1].body["reason"] == "part 35.9 does not measure as it should at all"
    monkeypatch.undo()
    monkeypatch.setattr("labkit.workflow.sets.make.write_papers", lambda *_: ())
    assert make(ONE, out, recorder).folder.name == "QF-1043-r2"
    settle_all(recorder.ledger, out)


def test_a_set_that_is_refused_before_building_leaves_no_trace(recorder, out):
    with pytest.raises(RefusedError):
        make(changed(ONE, ("[50]", "[50, 120]")), out, recorder)
    assert list(recorder.ledger.events()) == []


def test_an_operator_code_that_is_none(file):
    with (
        open_ledger(str(file)) as ledger,
        pytest.raises(InputError, match="'' is not an operator code"),
    ):
        Recorder(ledger, "", lambda: START, lambda _: None)


def test_killed_while_building(no_papers, file, out):
    killed_at((check_part, "check_part"), file, out)
    with open_ledger(str(file)) as ledger:
        assert states(ledger) == {"QF-1043-r1": SetState.STARTED}
    said = []
    with recorder_for(file, say=said.append) as recorder:
        assert make(ONE, out, recorder).folder.name == "QF-1043-r2"
        assert states(recorder.ledger) == {
            "QF-1043-r1": SetState.ABANDONED, "QF-1043-r2": SetState.MADE,
        }
        settle_all(recorder.ledger, out)
    assert len(said) == 1
    assert "QF-1043-r1: started and not finished, the folder is not there" in said[0]
    assert visible(out) == ["QF-1043-r2"]


def test_what_a_kill_leaves_in_staging_is_no_set(file, out, monkeypatch):
    """Killed with the spec written: reconcile does not take the hidden folder for a set."""
    killed_at((make_module, "write_papers"), file, out)
    assert (out / ".QF-1043.unfinished" / "spacer-set.json").is_file()
    with open_ledger(str(file)) as ledger:
        (decision,) = settle_all(ledger, out)
        assert decision.action is Action.RECORD_ABANDONED
    monkeypatch.setattr(make_module, "write_papers", lambda *_: ())
    with recorder_for(file) as recorder:
        make(ONE, out, recorder)
    assert not (out / ".QF-1043.unfinished").exists()


def test_killed_between_the_rename_and_the_record(no_papers, file, out):
    killed_at((Recorder, "made"), file, out)
    said = []
    with recorder_for(file, say=said.append) as recorder:
        assert states(recorder.ledger) == {"QF-1043-r1": SetState.STARTED}
        assert make(TWO, out, recorder).folder.name == "QF-1043-r2"
        assert set(states(recorder.ledger).values()) == {SetState.MADE}
        settle_all(recorder.ledger, out)
    assert said == [
        f"QF-1043-r1: {out}/QF-1043-r1 is whole, its sums agree; recorded as made"
    ]


def test_a_ledger_that_locks_after_the_rename(no_papers, file, out):
    """The set lies there whole; the sentence says so, and the next run records it."""
    with open_ledger(str(file), wait_seconds=0.2) as ledger:
        recorder = Recorder(ledger, "anna", lambda: START, lambda _: None)
        real, blocker = recorder.made, sqlite3.connect(file, isolation_level=None)

        class Blocked(Recorder):
            def made(self, *arguments):
                blocker.execute("BEGIN IMMEDIATE")
                real(*arguments)

        with pytest.raises(LedgerError) as caught:
            make(ONE, out, Blocked(ledger, "anna", lambda: START, lambda _: None))
        blocker.execute("ROLLBACK")
        blocker.close()
    sentence = str(caught.value)
    assert "QF-1043-r1 is whole, but could not be recorded as made" in sentence
    assert "is locked by another program" in sentence
    assert "labkit ledger reconcile" in sentence
    with open_ledger(str(file)) as ledger:
        (decision,) = settle_all(ledger, out)
    assert decision.action is Action.RECORD_MADE


def test_a_locked_ledger_before_anything_is_built(no_papers, file, out):
    with open_ledger(str(file), wait_seconds=0.2) as ledger:
        blocker = sqlite3.connect(file, isolation_level=None)
        blocker.execute("BEGIN IMMEDIATE")
        with pytest.raises(LedgerError, match="is locked by another program"):
            make(ONE, out, Recorder(ledger, "anna", lambda: START, lambda _: None))
        blocker.execute("ROLLBACK")
        blocker.close()
        assert list(ledger.events()) == []
    assert visible(out) == []


def test_a_folder_that_cannot_be_written(no_papers, recorder, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("mine")
    with pytest.raises(DeliveryError, match="cannot be written to .*: File exists"):
        make(ONE, blocked, recorder)
    assert blocked.read_text() == "mine"
    assert list(recorder.ledger.events()) == []


def test_a_foreign_file_in_the_way_of_the_staging_folder(no_papers, recorder, out):
    out.mkdir()
    foreign = out / ".QF-1043.unfinished"
    foreign.write_text("mine")
    with pytest.raises(DeliveryError, match="cannot be written to .*: Not a directory"):
        make(ONE, out, recorder)
    assert foreign.read_text() == "mine"
    assert list(recorder.ledger.events()) == []


def test_a_full_disk_while_building(no_papers, file, out):
    """A limit on file sizes stands in for the full disk: writing fails in the same place."""
    with recorder_for(file) as recorder:
        ledger_bytes = file.stat().st_size
    child = os.fork()
    if child == 0:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        with recorder_for(file) as recorder:
            limit = max(ledger_bytes, 200_000) * 4
            small = changed(ONE, ('"QF-1043"', '"QF-1043" #' + "." * 10))
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
            from labkit.exports.write import stl

            def too_large(path, *_):
                path.write_bytes(b"x" * (2 * limit))

            stl.write_stl = lambda mesh, path, stem: too_large(path)
            try:
                make(small, out, recorder)
            except DeliveryError as error:
                os._exit(0 if "File too large" in str(error) else 3)
            except BaseException:
                os._exit(4)
        os._exit(5)
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == 0
    assert visible(out) == []
    with open_ledger(str(file)) as ledger:
        assert states(ledger) == {"QF-1043-r1": SetState.ABANDONED}
        assert "File too large" in ledger.story(CASE)[-1].body["reason"]
        settle_all(ledger, out)


def test_a_missing_folder_and_a_foreign_file_in_its_place_are_told(no_papers, recorder, out):
    made = make(ONE, out, recorder)
    away = out.parent / "away"
    shutil.move(made.folder, away)
    (decision,) = reconcile(recorder.ledger, look_at, "anna", START)
    assert decision.action is Action.TELL
    assert "recorded as made, but the folder is not there" in decision.sentence
    made.folder.write_text("mine")
    (decision,) = reconcile(recorder.ledger, look_at, "anna", START)
    assert "recorded as made, but something else than a folder lies there" in decision.sentence
    made.folder.unlink()
    shutil.move(away, made.folder)
    (decision,) = reconcile(recorder.ledger, look_at, "anna", START)
    assert decision.action is Action.NOTHING


@pytest.mark.parametrize("number", ["..up", "a/b", "=1+1", "名前"])
def test_case_numbers_become_neither_paths_nor_formulas(no_papers, recorder, out, number):
    made = make(changed(ONE, ('"QF-1043"', f'"{number}"')), out, recorder)
    assert made.folder.parent == out
    (stored,) = recorder.ledger.sets(number)
    assert stored.folder == str(made.folder)
    assert "/" not in stored.name
    rows = (made.folder / "spacer-set.csv").read_text("utf-8").splitlines()
    assert not rows[1].startswith(("=", "+", "-", "@"))
    assert verify(recorder.ledger).ok


def test_an_old_text_with_a_comment_is_a_revision_of_its_own(no_papers, recorder, out):
    for text in (ONE, TWO, ONE + "# the prescriber goes back\n"):
        made = make(text, out, recorder)
    assert made.folder.name == "QF-1043-r3"
    assert recorder.ledger.prescription(CASE).revision == 3


def test_what_is_reserved_does_not_need_a_solid(recorder, tmp_path):
    """Reserving twice without building, as two runs in two folders do: nothing is shared."""
    from labkit.workflow.sets.cases import open_case

    job = job_of(open_case(source(TWO), dict(INSTALLED.templates)), MEANS)
    first, second = (recorder.start(job, tmp_path / name, 0) for name in ("a", "b"))
    assert (first.revision, second.revision) == (1, 2)
    named = {t.identifier(*place) for t in (first, second) for place in job.places()}
    assert len(named) == 8
