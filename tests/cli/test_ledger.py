"""`labkit ledger` in process: what it prints, writes and refuses."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from filelock import FileLock

from labkit.catalog.places import templates_dir
from labkit.cli.main import cli
from labkit.core.case.identifier import ledger_number
from labkit.ledger.events import Kind
from labkit.ledger.store import look_into, open_ledger
from labkit.ledger.stored import SetState
from labkit.ledger.verify import verify
from tests.support.ledgers import Pen, fill, rods, started

CASE = "QF-1043"
GOLDEN = Path(__file__).parent.parent / "golden"
RX = templates_dir() / "prescriptions" / "demo-plain.toml"


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "ledger.sqlite"
    with open_ledger(str(path)) as ledger, ledger.transaction():
        fill(ledger)
    return path


@pytest.fixture
def run(file):
    def invoke(*arguments, stdin=None, **environment):
        env = {"COLUMNS": "200", "LABKIT_LEDGER": str(file), "LABKIT_BY": None, **environment}
        return CliRunner().invoke(cli, ["ledger", *map(str, arguments)], input=stdin, env=env)

    return invoke


def json_lines(result):
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.mark.parametrize(
    "name", ["verify", "upgrade", "backup", "restore", "export", "import", "reconcile"]
)
def test_every_command_has_help_with_an_example(run, name):
    result = run(name, "--help")
    assert result.exit_code == 0
    assert f"Example: labkit ledger {name}" in result.stdout
    assert "LABKIT_LEDGER" in result.stdout


def test_a_record_is_held_against_a_certificate(run, file, tmp_path):
    """The digest on a certificate is found in the chain; on another record's, it is not."""
    head = json_lines(run("verify", "--json"))[0]["head"]
    of_this, of_another, of_none = (tmp_path / name for name in ("a.pdf", "b.pdf", "c.pdf"))
    of_this.write_bytes(b"%PDF-1.7 /Keywords (record-digest-" + head.encode() + b")")
    of_another.write_bytes(b"%PDF-1.7 /Keywords (record-digest-" + b"12" * 32 + b")")
    of_none.write_bytes(b"%PDF-1.7")
    assert run("verify", "--certificate", of_this).exit_code == 0
    result = run("verify", "--certificate", of_another)
    assert result.exit_code == 1
    assert f"no event has the digest {'12' * 32}" in result.stdout
    for path, words in (
        (of_none, "bears no digest of a record; name the PDF of a certificate of inspection"),
        (tmp_path / "d.pdf", "cannot be read: No such file or directory"),
    ):
        result = run("verify", "--certificate", path)
        assert result.exit_code == 2
        assert words in " ".join(result.stderr.split())


def test_verify(run, file):
    result = run("verify")
    assert result.exit_code == 0, result.stderr
    first, identity, second = result.stdout.splitlines()
    assert first == f"{file}: 17 events, no change found."
    with look_into(str(file)) as reader:
        born = reader.event(1).digest
    assert identity == f"This is ledger {ledger_number(born)}, identity {born}"
    digest = second.removeprefix("Head: ")
    (found,) = json_lines(run("verify", "--json", "--head", digest))
    assert found == {
        "schema": 1,
        "ledger": str(file),
        "identity": born,
        "events": 17,
        "head": digest,
        "ok": True,
        "problems": [],
    }


def test_verify_tells_what_was_changed(run, file):
    data = file.read_bytes()
    assert data.count(b"31907") == 1
    file.write_bytes(data.replace(b"31907", b"31908"))
    result = run("verify")
    assert result.exit_code == 1
    assert "Problem: event 5 was changed or is damaged" in result.stdout
    (found,) = json_lines(run("verify", "--json"))
    assert found["ok"] is False
    assert len(found["problems"]) == 2  # the event, and the row that it no longer gives
    assert run("verify", "--head", "1" * 64).exit_code == 1


def test_verify_begins_no_ledger(run, tmp_path):
    result = run("verify", "--ledger", tmp_path / "typo.sqlite")
    assert result.exit_code == 2
    assert "there is no ledger at" in result.stderr
    assert not (tmp_path / "typo.sqlite").exists()


def test_backup_and_restore(run, tmp_path):
    saved, new = tmp_path / "saved.sqlite", tmp_path / "new.sqlite"
    result = run("backup", saved)
    assert result.exit_code == 0, result.stderr
    assert f"Backed up {saved}: 17 events, verified." in result.stdout
    assert run("backup", saved).exit_code == 2
    (found,) = json_lines(run("restore", saved, "--ledger", new, "--json"))
    assert (found["target"], found["events"]) == (str(new), 17)
    again = run("restore", saved)
    assert again.exit_code == 1
    assert "nothing is ever written over" in again.stderr


def test_export_and_import(run, tmp_path):
    saved, new = tmp_path / "saved.jsonl", tmp_path / "new.sqlite"
    assert run("export", saved).exit_code == 0
    printed = run("export", "-").stdout
    assert printed == saved.read_text("utf-8")
    assert run("import", saved, "--ledger", new).exit_code == 0
    piped = run("import", "-", "--ledger", tmp_path / "piped.sqlite", stdin=printed)
    assert piped.exit_code == 0, piped.stderr
    assert run("export", "-", "--ledger", new).stdout == printed
    assert run("export", "-", "--ledger", tmp_path / "piped.sqlite").stdout == printed
    assert run("import", saved).exit_code == 1


def lay_down(folder, case=CASE, inputs="ab" * 32):
    """Lay down a small folder as a set is laid down: spec, a file, sums."""
    folder.mkdir(parents=True)
    (folder / "spacer-set.json").write_text(json.dumps({"case": case, "inputs_sha256": inputs}))
    (folder / "a.step").write_text("solid")
    sums = "".join(
        f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()}  {name}\n"
        for name in ("a.step", "spacer-set.json")
    )
    (folder / "SHA256SUMS").write_text(sums)


@pytest.fixture
def sets(tmp_path, file):
    """Four started sets in one folder: whole, damaged, missing, and another's."""
    out = tmp_path / "sets"
    with open_ledger(str(file)) as ledger:
        pen = Pen(ledger)
        for name in ("whole", "damaged", "missing", "foreign"):
            body = {**started(name, 1, 2), "folder": str(out / name)}
            pen(Kind.SET_STARTED, CASE, body)
    lay_down(out / "whole")
    lay_down(out / "damaged")
    (out / "damaged" / "a.step").write_text("solif")
    lay_down(out / "foreign", case="QF-2")
    lay_down(out / "stray")
    return out


def states(file):
    with open_ledger(str(file)) as ledger:
        assert verify(ledger).ok
        return {stored.name: stored.state for stored in ledger.sets(CASE)}


def test_reconcile_settles_what_was_left_open(run, file, sets):
    result = run("reconcile", "--by", "berta", "--sets", sets)
    assert result.exit_code == 1, result.stderr  # the recorded set QF-1043-r1 is nowhere
    assert f"whole: {sets / 'whole'} is whole, its sums agree; recorded as made" in result.stdout
    assert "damaged: started and not finished, a.step was changed" in result.stdout
    assert "missing: started and not finished, the folder is not there" in result.stdout
    assert "foreign: started and not finished, it is the set of another case" in result.stdout
    assert "stray: lies there and is not in the ledger" in result.stdout
    assert "QF-1043-r1: recorded as made, but the folder is not there" in result.stdout
    assert "sets compared: look at" in result.stdout
    found = states(file)
    assert found["whole"] is SetState.MADE
    assert {found[n] for n in ("damaged", "missing", "foreign")} == {SetState.ABANDONED}
    with open_ledger(str(file)) as ledger:
        assert ledger.set_named("whole").ended.by == "berta"
        before = ledger.head()
    again = json_lines(run("reconcile", "--json", LABKIT_BY="berta"))
    assert {line["action"] for line in again} == {"nothing", "tell"}
    with open_ledger(str(file)) as ledger:
        assert ledger.head() == before


def test_reconcile_leaves_a_case_alone_that_is_being_made(run, file, sets):
    with FileLock(sets / f".{CASE}.lock"):
        result = run("reconcile", "--by", "berta", "--case", CASE)
    assert "whole: another run is at work on this case; left alone" in result.stdout
    assert states(file)["whole"] is SetState.STARTED


def test_reconcile_needs_an_operator(run):
    result = run("reconcile")
    assert result.exit_code == 2
    assert "--by" in result.stderr
    assert "is not an operator code" in run("reconcile", "--by", " ").stderr


def test_an_earlier_ledger_is_looked_at_and_acted_on_after_its_upgrade(tmp_path):
    """Each command either looks, and leaves every byte, or says what to do first."""
    path = tmp_path / "ledger.sqlite"
    shutil.copyfile(GOLDEN / "ledger-2.sqlite", path)
    before = hashlib.sha256(path.read_bytes()).hexdigest()

    def run(*arguments):
        env = {"COLUMNS": "200", "LABKIT_LEDGER": str(path), "LABKIT_BY": None}
        return CliRunner().invoke(cli, [*map(str, arguments)], env=env)

    find = rods("QF-1043-r1", 1)[0]["identifier"]
    out = ("--out", tmp_path / "sets")
    for looks in (
        ("cases",), ("show", CASE), ("find", find), ("capability",), ("chart",),
        ("ledger", "verify"), ("ledger", "export", tmp_path / "e.jsonl"),
        ("ledger", "backup", tmp_path / "b.sqlite"), ("limits", CASE),
        ("certificate", CASE, "--out", tmp_path),
    ):
        found = run(*looks)
        assert "upgrade" not in found.output, looks
        assert isinstance(found.exception, SystemExit | None), looks
        assert hashlib.sha256(path.read_bytes()).hexdigest() == before, looks
    for acts in (
        ("release", CASE, "--by", "kim"), ("extra", CASE, "--percent", "60", "--by", "anna", *out),
        ("replace", find, "--reason", "x", "--by", "anna", *out),
        ("inspect", CASE, "-", "--by", "kim"), ("ledger", "reconcile", "--by", "anna"),
        ("trial", CASE, "--left", "28 meets", "--right", "28 meets", "--accept", "--by", "anna"),
        ("make", RX, "--by", "anna", *out),
    ):
        refused = run(*acts)
        assert refused.exit_code == 1, (acts, refused.output)
        assert "has the form of revision 0002" in refused.stderr, acts
        assert "`labkit ledger upgrade`, which makes a backup first" in refused.stderr, acts
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    done = run("ledger", "upgrade")
    assert done.exit_code == 0, done.stderr
    kept = tmp_path / "ledger-revision-0002.sqlite"
    assert done.stdout.splitlines()[:2] == [
        f"Backup of revision 0002: {kept}, verified.",
        f"{path}: 23 events, brought from revision 0002 to 0005, verified.",
    ]
    assert run("ledger", "upgrade").stdout == (
        f"{path} is up to date (revision 0005); nothing was done.\n"
    )
    (told,) = json_lines(run("ledger", "upgrade", "--json"))
    assert (told["from"], told["to"], told["backup"]) == ("0005", "0005", None)
    assert run("ledger", "reconcile", "--by", "anna").exit_code in (0, 1)
    assert run("ledger", "verify", "--ledger", kept).exit_code == 0
