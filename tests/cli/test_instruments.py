"""`labkit instruments`: what rods are measured with, and what is due."""

from __future__ import annotations

import datetime
import json

from click.testing import CliRunner

from labkit.cli import clock
from labkit.cli.main import cli
from tests.support.own_instruments import write_instruments


def test_instruments_are_listed():
    result = CliRunner().invoke(cli, ["instruments", "--json"])
    names = [json.loads(line)["name"] for line in result.stdout.splitlines()]
    assert names == ["example-calliper", "example-coarse-calliper", "example-micrometer",
                     "example-microscope", "example-scanner", "example-pins"]
    shown = CliRunner().invoke(cli, ["instruments", "example-microscope"]).stdout
    assert "Invented example; not calibrated." in shown
    assert "measures          centres" in shown
    assert "an invented example; no set is released on its readings" in shown


def test_instruments_tell_what_is_due(tmp_path, monkeypatch):
    own = write_instruments(tmp_path / "own")  # due on 2032-09-30
    told = {}
    for day in ("2032-06-01", "2032-09-01", "2032-10-01"):
        monkeypatch.setattr(clock, "today", lambda day=day: datetime.date.fromisoformat(day))
        for name in ("micrometer-7", "pins-2"):
            words = ["instruments", name, "--instruments", str(own)]
            shown = CliRunner().invoke(cli, words).stdout
            told[day] = shown.splitlines()[-2].split("due", 1)[1].strip()
            data = json.loads(CliRunner().invoke(cli, [*words, "--json"]).stdout)
            assert data["releases"] is (data["due_in_days"] >= 0)
    assert told == {
        "2032-06-01": "2032-09-30", "2032-09-01": "2032-09-30, in 29 days",
        "2032-10-01": "2032-09-30, OVERDUE by 1 day; not to be used",
    }
    (own / "bare.toml").write_text(
        (own / "pins-2.toml").read_text("utf-8").replace("pins-2", "bare").partition("due =")[0],
        "utf-8",
    )
    shown = CliRunner().invoke(cli, ["instruments", "bare", "--instruments", str(own)]).stdout
    assert "not said; no set is released on its readings" in shown
