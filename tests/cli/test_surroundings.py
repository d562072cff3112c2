"""The same numbers wherever a command runs: language of the system, width and kind of screen."""

from __future__ import annotations

import functools
import re

import pytest

from tests.support.processors import ROOT, python

DEMOS = [f"templates/prescriptions/demo-{name}.toml" for name in ("plain", "hinged")]
STUDY = ["gauge-study", "output_examples/quality/gauge-study.csv", "--tolerance", "0.15"]
COMMANDS = [
    ["lengths", *DEMOS],
    ["lengths", DEMOS[1], "--opening", "3"],
    ["templates"],
    ["processes"],
    STUDY,
]
USUAL = {"COLUMNS": "100", "LC_ALL": "C.UTF-8", "TERM": "xterm"}
#: Turkish has its own small letters, and a comma in numbers; UTF-8 mode is what Python asks first.
ELSEWHERE = [
    {"LC_ALL": "C"},
    {"LC_ALL": "tr_TR.UTF-8"},
    {"TERM": "dumb"},
    {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": "utf-8"},
]


def printed(command, **settings):
    return _printed(tuple(command), tuple({**USUAL, **settings}.items()))


@functools.cache
def _printed(command, settings):
    done = python(["-m", "labkit", *command], dict(settings))
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout.decode("utf-8")


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_a_narrow_screen_cuts_no_number(command):
    def numbers(columns):
        return sorted(re.findall(r"[0-9][0-9.]*", printed(command, COLUMNS=columns)))

    assert len(numbers("200")) > 10
    assert numbers("60") == numbers("40") == numbers("200")


@pytest.mark.parametrize("command", ["make", "measure", "extra", "gauge-study"])
def test_a_narrow_screen_cuts_no_word_of_the_help(command):
    def words(columns):
        return set(re.findall(r"[\w-]+", printed([command, "--help"], COLUMNS=columns)))

    assert words("40") == words("200")


@pytest.mark.parametrize("settings", ELSEWHERE, ids=str)
def test_the_language_of_the_system_changes_nothing(settings):
    assert (ROOT / DEMOS[0]).is_file()
    for command in (["lengths", *DEMOS], ["lengths", *DEMOS, "--json"], STUDY):
        assert printed(command, **settings) == printed(command)
