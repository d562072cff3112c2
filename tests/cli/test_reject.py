"""`labkit reject` and `labkit rejects`, in process."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from labkit.catalog.causes import causes
from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.ledger.bodies import RodState
from labkit.ledger.events import Kind
from tests.cli.test_rod import WHO, count, file, rods, run, states
from tests.support.making import CASE, recorder_for

__all__ = ["file", "run"]


def test_rejected_with_its_cause(run, file):
    one = rods(file)[0].identifier
    result = run("reject", grouped(one), "--cause", "crack", "--note", "at the eye")
    assert result.exit_code == 0, result.stderr
    assert states(file) == ["rejected", "released", "released", "released"]
    with recorder_for(file) as recorder:
        (event,) = recorder.ledger.current(CASE, Kind.ROD_STATE)
    assert (event.body["cause"], event.body["reason"], event.by) == ("crack", "at the eye", "ben")
    assert f"rod {grouped(one)} rejected, cause: crack (at the eye)" in run("show", CASE).stdout
    assert "State: rejected" in run("find", one).stdout


REFUSED = {
    "no cause": ((), "say why with --cause; `labkit rejects` lists the causes"),
    "no such cause": (("--cause", "lenght"),
                      'cause = "lenght" is not known; did you mean `length`?'),
    "other": (("--cause", "other"), "the cause is other; say with --note what it is"),
    "no folder": (("--cause", "bent", "--new"), "--new and --out go together"),
    "a folder": (("--cause", "bent", "--out", "sets"), "--new and --out go together"),
    "a day": (("--cause", "bent", "--new", "--out", "sets", "--date", "2031-03-14"),
              "--date cannot be used with --new"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_not_recorded(run, file, name):
    before, (arguments, words) = count(file), REFUSED[name]
    result = run("reject", rods(file)[0].identifier, *arguments)
    assert result.exit_code == 2
    assert words in " ".join(result.stderr.split())
    assert count(file) == before


def test_with_a_new_rod(run, file, tmp_path, monkeypatch):
    """What is asked of the making is that of `labkit replace`; the rod is not built here."""
    from labkit.workflow.rods import replace

    asked = []
    monkeypatch.setattr(replace, "make_replacement", lambda order, *_: asked.append(order))
    one = rods(file)[0].identifier
    run("reject", one, "--cause", "bent", "--new", "--out", tmp_path)
    (order,) = asked
    assert (order.identifiers, order.reason, order.because, order.cause) == (
        (one,), "bent or twisted", "rejected", "bent",
    )


def test_rejects_are_counted_by_process(run, file):
    first, second, third, _ = (rod.identifier for rod in rods(file))
    run("reject", first, "--cause", "length")
    run("reject", second, "--cause", "length")
    with recorder_for(file) as recorder:
        recorder.ledger.write(CASE, RodState(third, "rejected"), *WHO)
    told = json.loads(run("rejects", "--json").stdout)
    (process,) = told["made"]
    assert told["made"] == {process: 4}
    assert [(one["cause"], one["rejected"]) for one in told["rejected"]] == [
        ("length", 2), ("not stated", 1),
    ]
    printed = run("rejects", "--process", process).stdout
    assert f"{process}: 3 of 4 rods rejected" in printed
    assert all(f"{name}: " in printed for name in causes())
    other = CliRunner().invoke(cli, ["rejects", "--process", "no", "--ledger", str(file)])
    assert other.exit_code == 2
    assert "has no rods of a process `no`; it has those of:" in other.stderr


def test_the_help_names_every_cause(run):
    told = " ".join(run("reject", "--help").stdout.split())
    assert all(name in told for name in causes())
