"""Numbers without end, at every edge: status 2 within a second, in a process of little memory."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys

import pytest

from tests.support.processors import ROOT

PLAIN = (ROOT / "templates/prescriptions/demo-plain.toml").read_text("utf-8")
HOSTILE = ["1e999999", "1e-9999999", "9" * 5000, "0." + "3" * 5000, "1e400", "-1e999", "nan", "inf"]
#: Runs commands one after the other in a process that may not take more than 2 GB.
RUNNER = """
import json, resource, sys, time
resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))
from click.testing import CliRunner
from labkit.cli.main import cli
for number, command in enumerate(json.load(sys.stdin)):
    begun = time.process_time()
    done = CliRunner().invoke(cli, command)
    print(json.dumps([done.exit_code, time.process_time() - begun, done.output[-600:]]), flush=True)
"""
KEYS = sorted(set(re.findall(r"^(\w+) = ", PLAIN, re.MULTILINE)) - {"zero", "action", "template"})
#: Command and option of a number, and what else the command needs.
OPTIONS = [
    ["extra", "QF-1", "--by", "anna", "--out", "x", "--percent"],
    ["extra", "QF-1", "--by", "anna", "--out", "x", "--mm"],
    ["extra", "QF-1", "--by", "anna", "--out", "x", "--length"],
    ["gauge-study", "no.csv", "--tolerance"],
    ["gauge-study", "no.csv", "--confidence"],
    ["gauge-study", "no.csv", "--pool-above"],
    ["capability", "--file", "no.csv", "--lower"],
    ["capability", "--file", "no.csv", "--upper"],
    ["chart", "--file", "no.csv", "--target"],
    ["capability", "--shortest"],
    ["capability", "--longest"],
    ["measure", "no.stl", "--most-uncertainty"],
    ["calibrate", "nominal", "--tolerance"],
    ["limits", "QF-1", "--readings"],
    ["certificate", "QF-1", "--entry"],
]

pytestmark = pytest.mark.skipif(os.name != "posix", reason="limits of memory are those of POSIX")


def outcomes(commands, tmp_path):
    settings = {"LABKIT_LEDGER": str(tmp_path / "ledger.sqlite"), "COLUMNS": "100"}
    done = python_with_input(["-c", RUNNER], json.dumps(commands), settings)
    found = [json.loads(line) for line in done.stdout.decode().splitlines()]
    assert len(found) == len(commands), done.stderr.decode()[-2000:]
    return list(zip(commands, found, strict=True))


def python_with_input(arguments, text, settings):
    return subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, input=text.encode(), capture_output=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), **settings}, check=False,
    )


def assert_each_is_refused(found):
    wrong = [
        (command[-2:], status, seconds, said)
        for command, (status, seconds, said) in found
        # The first command also loads libraries.
        if status != 2 or seconds > 1.5 or "unforeseen" in said or "Traceback" in said
    ]
    assert wrong == []


def test_in_every_key_of_a_prescription(tmp_path):
    commands = []
    for key in KEYS:
        for number, value in enumerate(HOSTILE):
            path = tmp_path / f"{key}-{number}.toml"
            path.write_text(re.sub(rf"(?m)^{key} = .*", f"{key} = {value}", PLAIN))
            commands.append(["lengths", str(path)])
    assert_each_is_refused(outcomes(commands, tmp_path))


def test_in_every_option(tmp_path):
    commands = [[*option, value] for option in OPTIONS for value in HOSTILE]
    assert_each_is_refused(outcomes(commands, tmp_path))


@pytest.mark.parametrize(
    "text",
    [
        "a." * 450_000 + "a = 1\n", "x = {" + "a." * 300_000 + "a = 1}\n", "x = " + "[" * 400_000,
        "x = " + "{a=" * 200_000, "[" + "a." * 450_000 + "a]\n", 'x = "' + "a.b " * 100_000 + '"\n',
        '"a".' * 200_000 + "a = 1\n",
    ],
    ids=["key", "inline", "lists", "tables", "header", "text", "quoted"],
)
def test_deep_files(tmp_path, text):
    path = tmp_path / "deep.toml"
    path.write_text(text)
    ((_, (status, seconds, said)),) = outcomes([["lengths", str(path)]], tmp_path)
    assert (status, "Traceback" in said, "unforeseen" in said) == (2, False, False)
    assert seconds < 5  # libraries loaded included


def test_a_number_out_of_all_bounds_is_named_with_its_line(tmp_path):
    path = tmp_path / "rx.toml"
    path.write_text(PLAIN.replace("registered = 2.0", "registered = 2.0e999999"))
    ((_, (_, _, said)),) = outcomes([["lengths", str(path)]], tmp_path)
    assert f"{path.name}:14: '2.0e999999' is not a number of at most 20 digits" in " ".join(
        said.split()
    )

