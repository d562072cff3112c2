"""`labkit batch --queue` and `labkit worker`: what is refused before anything waits, and where."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.cli.sets.one_of_many import Bench, digests, make_asked, make_one
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.queue import MARK_FILE, Asked
from tests.support.making import ONE
from tests.support.prescriptions import source
from tests.test_house import loaded_by

SERVER = "postgresql://lab@127.0.0.1:1/lab"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--wait",), "--wait waits for a queue; add --queue"),
        (("--again",), "--again asks a queue once more; add --queue, or leave it out"),
        (("--queue", "--by", "anna", "--workers", "2"), "say it to each `labkit worker`"),
        (("--queue",), "--queue makes recorded sets; name who asks for them with --by"),
        (("--queue", "--by", "anna"), "lab.sqlite is a file; name the record with --ledger"),
    ],
    ids=["wait", "again", "workers", "by", "file"],
)
def test_what_goes_together(tmp_path, words, said):
    (tmp_path / "rx.toml").write_text(ONE, encoding="utf-8")
    line = ["batch", str(tmp_path / "rx.toml"), "--out", str(tmp_path / "sets"), *words]
    result = CliRunner().invoke(cli, [*line, "--ledger", str(tmp_path / "lab.sqlite")])
    assert result.exit_code == 2, result.output
    assert said in " ".join(result.stderr.split())
    assert not (tmp_path / "sets").exists()


def test_a_worker_that_reaches_no_server_says_so():
    result = CliRunner().invoke(cli, ["worker", "--ledger", SERVER])
    assert result.exit_code == 1
    assert "cannot be reached" in result.stderr


def test_without_the_engine_the_extra_is_named(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "procrastinate", None)
    result = CliRunner().invoke(cli, ["worker", "--ledger", SERVER])
    assert result.exit_code == 2
    assert "install labkit[postgresql]" in " ".join(result.stderr.split())


def test_a_batch_on_one_machine_knows_nothing_of_the_engine():
    names = ("labkit.cli.sets.batch", "labkit.cli.sets.worker", "labkit.workflow.sets.queue")
    assert not {"procrastinate", "psycopg"} & loaded_by(f"import {', '.join(names)}")


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path / "sets", None, (), None, (), "anna", str(tmp_path / "lab.sqlite"))


def asked_on(bench: Bench) -> Asked:
    made_from = digests(open_case(source(ONE), bench.templates), bench.means)
    out = str(bench.out_dir)
    return Asked("rx.toml", "QF-1043", ONE, out, "anna", None, *made_from)


def test_a_host_without_the_folder_makes_no_set(bench):
    done = make_asked(bench, asked_on(bench))
    assert done.state == "waiting"
    assert "is not on this host as it was where the batch was asked for" in done.said[0]
    assert not bench.out_dir.exists()


def test_a_host_with_another_template_makes_no_set(bench):
    bench.out_dir.mkdir()
    Path(bench.out_dir / MARK_FILE).touch()
    done = make_asked(bench, replace(asked_on(bench), inputs_sha256="0" * 64))
    assert done.state == "waiting"
    assert done.said[0].startswith("this host has another version of the program, template")


def test_a_case_that_no_page_could_show_is_refused_and_not_broken_off(bench, tmp_path):
    (tmp_path / "rx.toml").write_text(ONE.replace("QF-1043", "a/./b"), encoding="utf-8")
    done = make_one(bench, str(tmp_path / "rx.toml"))
    assert done.state == "refused"
    assert "no page could be shown of a case 'a/./b'" in done.said[0]


def test_a_set_waits_while_the_record_is_away(bench):
    bench.out_dir.mkdir()
    Path(bench.out_dir / MARK_FILE).touch()
    away = replace(bench, ledger_url=SERVER)
    done = make_asked(away, asked_on(bench))
    assert done.state == "waiting"
    assert "cannot be reached; check that the server runs" in done.said[0]
    (bench.out_dir.parent / "rx.toml").write_text(ONE, encoding="utf-8")
    assert make_one(away, str(bench.out_dir.parent / "rx.toml")).state == "broken off"
