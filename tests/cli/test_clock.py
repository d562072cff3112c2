"""The clock of the commands: one place, universal time for the record, the wall's day on papers."""

from __future__ import annotations

import ast
import datetime
import time
from pathlib import Path

import pytest

import labkit.cli
from labkit.cli import clock
from tests.support.after_story import REAL_NOW


def test_the_record_gets_universal_time(monkeypatch):
    monkeypatch.setattr(clock, "now", REAL_NOW)
    before = datetime.datetime.now(datetime.UTC)
    assert before <= clock.now() <= before + datetime.timedelta(seconds=5)
    assert clock.now().utcoffset() == datetime.timedelta(0)


@pytest.mark.parametrize(
    ("zone", "hour", "day"),
    [("UTC", 23, 20), ("XXX-13", 20, 21), ("XXX-13", 10, 20), ("XXX+11", 5, 19)],
)
def test_the_day_is_that_of_the_wall_calendar(monkeypatch, zone, hour, day):
    moment = datetime.datetime(2031, 3, 20, hour, 30, tzinfo=datetime.UTC)
    monkeypatch.setattr(clock, "now", lambda: moment)
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        assert clock.today() == datetime.date(2031, 3, day)
    finally:
        monkeypatch.delenv("TZ")
        time.tzset()


def test_no_command_reads_another_clock():
    clocks = {"datetime.datetime", "datetime.date", "datetime", "date", "time"}
    for path in sorted(Path(labkit.cli.__file__).parent.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and path.name != "clock.py":
                read = node.attr in ("now", "today", "utcnow", "time")
                assert not (read and ast.unparse(node.value) in clocks), path.name
            if isinstance(node, ast.ImportFrom) and node.module == "labkit.cli.clock":
                pytest.fail(f"{path.name} takes names out of the clock: a test could not set it")
