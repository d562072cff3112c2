"""Which process makes the rods is said first, in the table and last; none named is a finding."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from tests.support.making import ONE

RESIN = (
    "Process example-resin (Example resin print): STL and plates compensated: length × 1.0012, "
    "+0.01 mm"
)
NOMINAL = (
    "Process nominal (Nominal size, no compensation): STL and plates at nominal size, uncompensated"
)
UNNAMED = (
    "no process was named, so the STL and plates are at nominal size (uncompensated), and a "
    "machine that shrinks or swells makes every rod wrong; name the process with --process, "
    "LABKIT_PROCESS or `process` in the lab's profile, and make the set again before any of "
    "it is built"
)


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Run a command in a folder with a prescription of one step and a profile."""
    monkeypatch.setattr("labkit.workflow.sets.make.write_papers", lambda *_: ())
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LABKIT_PROCESS", raising=False)
    (tmp_path / "rx.toml").write_text(ONE, "utf-8")
    (tmp_path / "lab.toml").write_text('schema = 1\nprocess = "example-resin"\n', "utf-8")
    (tmp_path / "bad.toml").write_text('schema = 1\nprocess = "example-resn"\n', "utf-8")

    def command(*arguments, **env):
        return CliRunner(env={"COLUMNS": "120"}).invoke(cli, list(arguments), env=env)

    return command


def test_no_process_named_is_a_finding_of_the_run(run):
    result = run("make", "rx.toml", "--out", "a")
    assert result.exit_code == 0, result.output
    assert result.stderr.splitlines()[:2] == [NOMINAL, f"Note: {UNNAMED}"]
    last = result.stdout.splitlines()
    assert last[last.index(NOMINAL) + 1] == f"Note: {UNNAMED}"
    assert "Rods of process nominal, as measured from the written files" in result.stdout
    told = run("make", "rx.toml", "--out", "b", "--json")
    content = json.loads(told.stdout)
    assert [(f["code"], f["message"]) for f in content["process_findings"]] == [
        ("process_not_named", UNNAMED)
    ]
    assert told.stderr.splitlines()[0] == NOMINAL


def test_the_process_is_said_first_in_the_table_and_last(run, tmp_path):
    result = run("make", "rx.toml", "--out", "a", "--process", "example-resin", "--by", "anna",
                 "--ledger", "l.sqlite")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert result.stderr.splitlines()[0] == RESIN
    assert "Rods of process example-resin, as measured from the written files" in result.stdout
    last = [line for line in lines if line.startswith(("Process", "Recorded in"))]
    assert last[0] == RESIN
    assert last[1].startswith("Recorded in")
    assert "no process was named" not in result.output
    identifier = json.loads((tmp_path / "a" / "QF-1043-r1" / "spacer-set.json").read_text())[
        "parts"
    ][0]["uses"][0]["identifier"]
    for words in (
        ("extra", "QF-1043", "--percent", "75"),
        ("replace", identifier, "--reason", "too long"),
    ):
        more = run(*words, "--out", "a", "--by", "anna", "--ledger", "l.sqlite")
        assert more.exit_code == 0, more.output
        assert more.stderr.splitlines()[0] == RESIN
        assert RESIN in more.stdout.splitlines()


def test_a_process_comes_from_the_option_then_the_environment_then_the_profile(run, tmp_path):
    ways = {
        "profile": ((), {}, "example-resin"),
        "environment": ((), {"LABKIT_PROCESS": "example-powder"}, "example-powder"),
        "option": (("--process", "nominal"), {"LABKIT_PROCESS": "example-powder"}, "nominal"),
    }
    for name, (options, env, process) in ways.items():
        result = run("make", "rx.toml", "--out", name, "--profile", "lab.toml", "--json",
                     *options, **env)
        assert result.exit_code == 0, result.output
        content = json.loads(result.stdout)
        assert (content["process"]["name"], content["process_findings"]) == (process, [])
        assert "process" not in content["profile"]


def test_a_process_of_the_profile_that_is_not_there_names_the_profile(run):
    result = run("make", "rx.toml", "--out", "a", "--profile", "bad.toml")
    assert result.exit_code == 2
    assert result.stderr.startswith(
        'labkit: bad.toml: process = "example-resn" is not known; did you mean `example-resin`?'
    )
