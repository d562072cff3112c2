"""`labkit lengths`, `prescription`, `templates`, `about` and the command line as such."""

from __future__ import annotations

import importlib
import json
import re
import tomllib
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from labkit.catalog.places import templates_dir
from labkit.catalog.rods import rod_templates
from labkit.cli import about, main
from labkit.cli.main import cli
from labkit.core.cautions import CAUTIONS_IN_SHORT
from labkit.workflow.sets.lengths_report import AT_NO_DROP, NO_STEPS
from tests.support.prescriptions import SMALLEST, changed, hinged, sliding

DEMOS = [
    str(templates_dir() / "prescriptions" / f"demo-{name}.toml") for name in ("plain", "hinged")
]


def run(*arguments, stdin=None, columns="100"):
    return CliRunner().invoke(cli, list(arguments), input=stdin, env={"COLUMNS": columns})


def lines(result):
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.fixture
def rx(tmp_path):
    def write(text, name="rx.toml"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return str(path)

    return write


def test_json_has_the_form_of_the_design(rx):
    result = run("lengths", "--json", rx(hinged()))
    assert result.exit_code == 0, result.stderr
    (case,) = lines(result)
    assert list(case) == [
        "schema",
        "case",
        "zero",
        "range_mm",
        "jaw_model",
        "action",
        "steps",
        "assumed",
        "findings",
    ]
    step = case["steps"][0]
    assert list(step) == [
        "percent",
        "advancement_mm",
        "displacement_mm",
        "start",
        "left",
        "right",
        "made",
        "hold",
    ]
    assert list(step["left"]) == ["exact_mm", "length_mm", "label", "mm_per_mm"]
    assert list(step["made"]) == [
        "advancement_mm",
        "percent",
        "side_mismatch_mm",
        "deviation_mm",
        "pitch_deg",
        "yaw_deg",
        "roll_deg",
        "pad_gap_left_mm",
        "pad_gap_right_mm",
    ]
    assert isinstance(step["left"]["length_mm"], str)
    assert step["left"]["length_mm"] == step["left"]["label"]
    # `values` is what the sentence is filled in with, for papers in another language.
    assert set(case["findings"][0]) == {"code", "severity", "message", "where", "values"}
    assert case["assumed"][:2] == ["condylar_inclination", "condyle_left"]


def test_lengths_of_the_smallest_prescription_by_hand():
    """L = 33.6 - d, d = percent of 11.6 mm - 8.1; of rods equally near the lesser advancement."""
    (case,) = lines(run("lengths", "--json", "-", stdin=SMALLEST))
    assert [s["left"]["label"] for s in case["steps"]] == ["35.9", "34.5", "33.0", "31.6", "30.1"]
    assert [round(s["right"]["exact_mm"], 9) for s in case["steps"]] == [
        35.9,
        34.45,
        33.0,
        31.55,
        30.1,
    ]
    assert [s["start"] for s in case["steps"]] == [False, True, False, False, False]
    assert case["range_mm"] == 11.6


def test_what_a_model_does_not_know_is_null(rx):
    straight, slide = lines(run("lengths", "--json", rx(SMALLEST), rx(sliding(), "b.toml")))
    for made in (straight["steps"][0]["made"], slide["steps"][0]["made"]):
        assert made["pitch_deg"] is None
        assert made["pad_gap_left_mm"] is None
        assert made["side_mismatch_mm"] is not None
    assert straight["steps"][0]["made"]["deviation_mm"] is None
    assert slide["steps"][0]["made"]["deviation_mm"] is not None


def test_one_line_for_each_case_and_the_gravest_exit_status(rx):
    refused = rx(changed(SMALLEST, ("87.5, 100]", "87.5, 110]")), "refused.toml")
    broken = rx(changed(SMALLEST, ('"pull"', '"tow"')), "broken.toml")
    result = run("lengths", "--json", rx(SMALLEST), refused)
    assert result.exit_code == 1
    assert [case["case"] for case in lines(result)] == ["QF-1043", "QF-1043"]
    assert lines(result)[1]["findings"][0]["severity"] == "refused"
    assert result.stderr.startswith(f"labkit: {refused}: ")
    result = run("lengths", "--json", broken, rx(SMALLEST), "missing.toml")
    assert result.exit_code == 2
    assert len(lines(result)) == 1
    assert 'broken.toml:12: appliance.action = "tow" is not usable' in result.stderr
    assert "missing.toml: cannot be read (No such file or directory)" in result.stderr


def test_the_table_shows_labels_findings_and_cautions():
    result = run("lengths", *DEMOS)
    assert result.exit_code == 0
    assert result.stderr == ""
    for case in lines(run("lengths", "--json", *DEMOS)):
        assert case["case"] in result.stdout
        for step in case["steps"]:
            assert re.search(
                rf"\b{step['left']['label']}\s+{step['right']['label']}\b", result.stdout
            )
        for finding in case["findings"]:
            assert finding["message"] in result.stdout
    assert CAUTIONS_IN_SHORT in result.stdout


def test_a_table_of_80_columns_cuts_nothing():
    assert "…" not in run("lengths", *DEMOS, columns="80").stdout


def test_opening_for_the_hinged_model_only(rx):
    (case,) = lines(run("lengths", "--json", "--opening", "0", "--opening", "4", rx(hinged())))
    at_rest = case["opening"][0]["points"][0]
    assert at_rest["drop_mm"] == 0
    assert len(case["opening"]) == len(case["steps"])
    wide = ("lengths", "--opening", "5", "--opening", "25", DEMOS[1])
    (case,) = lines(run(*wide, "--json"))
    last = case["opening"][-1]["points"]
    assert last[0]["percent"] == pytest.approx(100 / 8.3 * last[0]["advancement_mm"])
    assert [point["remark"] for point in last] == ["beyond the maximum", "no position of the jaw"]
    assert [point["percent"] is None for point in last] == [False, True]
    shown = run(*wide).stdout
    assert "The drop of the lower incisal point counts from the registered bite; percent" in shown
    assert shown.count("No position of the jaw: the jaw reaches no pose that") == 1
    result = run("lengths", "--opening", "4", rx(SMALLEST))
    assert result.exit_code == 1
    assert "the straight jaw model cannot show how the mouth opens" in result.stderr


def test_opening_of_a_set_that_is_refused(rx):
    """Steps whose rods are worked out are told; without any, what to do."""
    near = changed(hinged(), ("[60, 75, 90]", "[60, 61, 75, 90]"))
    result = run("lengths", "--opening", "0", rx(near))
    assert result.exit_code == 1
    assert "Advancement when the mouth opens, rods as made" in result.stdout
    assert AT_NO_DROP in " ".join(result.stdout.split())
    assert AT_NO_DROP not in run("lengths", "--opening", "4", rx(hinged())).stdout
    none = changed(hinged(), ("[60, 75, 90]", "[120]"), ("start = 75", "start = 120"))
    result = run("lengths", "--opening", "4", rx(none))
    assert result.exit_code == 1
    assert NO_STEPS in " ".join(result.stdout.split())


@pytest.mark.parametrize("name", main._COMMANDS)
def test_every_command_has_help_with_an_example(name):
    result = run(name, "--help")
    assert result.exit_code == 0
    if name != "prescription":
        assert "Example" in result.stdout


def test_help_lists_every_command():
    result = run("--help")
    for name in main._COMMANDS:
        assert re.search(rf"(?m)^\W*{name}\b", result.stdout), name


@pytest.mark.parametrize("name", main._COMMANDS)
def test_the_list_has_the_first_sentence_of_each_commands_help(name):
    with click.Context(main.cli) as context:
        listed = main.cli.get_command(context, name).help
    assert listed == importlib.import_module(main._COMMANDS[name]).command.help.splitlines()[0]


def test_typing_slips_are_answered_with_the_nearest_command():
    result = run("lenghts", "rx.toml")
    assert result.exit_code == 2
    assert "`lenghts` is not a command; did you mean `lengths`?" in " ".join(result.stderr.split())


def test_unforeseen_errors_show_no_traceback(monkeypatch, rx):
    def broken(*_):
        raise ZeroDivisionError("by accident")

    monkeypatch.setattr("labkit.cli.sets.lengths.open_case", broken)
    path = rx(SMALLEST)
    result = run("lengths", path)
    assert result.exit_code == 1
    assert "unforeseen ZeroDivisionError: by accident" in result.stderr
    assert "Traceback" not in result.output
    assert isinstance(run("--traceback", "lengths", path).exception, ZeroDivisionError)


def test_a_missing_system_library_is_named(monkeypatch, rx):
    def broken(*_):
        raise ImportError("libGL.so.1: cannot open shared object file")

    monkeypatch.setattr("labkit.cli.sets.lengths.open_case", broken)
    result = run("lengths", rx(SMALLEST))
    assert result.exit_code == 2
    assert "a library cannot be loaded (libGL.so.1" in result.stderr


def test_templates_are_drawn_with_sizes_and_limits():
    result = run("templates")
    assert result.exit_code == 0
    for template in rod_templates().values():
        assert f"{template.name}: " in result.stdout
        assert f"{template.shortest_mm} to {template.longest_mm} mm" in result.stdout
    assert result.stdout.count("from the inward side") == len(rod_templates())
    assert any("\u2800" < character <= "\u28ff" for character in result.stdout)
    (one,) = lines(run("templates", "--json", "crosspin-eye-flat"))
    assert one["handed"] is True
    assert one["lower"]["kind"] == "crosspin"


def test_own_templates_by_option_and_by_environment(tmp_path, rx):
    text = (templates_dir() / "rods" / "eye-eye-flat.toml").read_text("utf-8")
    own = tmp_path / "own.toml"
    own.write_text(text.replace('name = "eye-eye-flat', 'name = "bench'))
    path = rx(changed(SMALLEST, ('"eye-eye-flat"', '"bench"')))
    assert run("lengths", path).exit_code == 2
    assert run("lengths", path, "--templates", str(own)).exit_code == 0
    spaced = tmp_path / "lab files"
    spaced.mkdir()
    (spaced / "own.toml").write_text(own.read_text())
    by_environment = CliRunner().invoke(
        cli, ["lengths", path], env={"LABKIT_TEMPLATES": str(spaced)}
    )
    assert by_environment.exit_code == 0
    by_environment = CliRunner().invoke(cli, ["lengths", path], env={"LABKIT_TEMPLATES": str(own)})
    assert by_environment.exit_code == 0


def test_blank_is_never_written_over_a_file(tmp_path):
    path = tmp_path / "QF-1.toml"
    assert run("prescription", "blank", "--model", "hinged", "--out", str(path)).exit_code == 0
    before = path.read_bytes()
    result = run("prescription", "blank", "--out", str(path))
    assert (result.exit_code, path.read_bytes()) == (2, before)
    assert "is there already; name a new file" in result.stderr


def test_a_label_without_room_is_refused_before_anything_is_built(tmp_path, rx):
    text = (templates_dir() / "rods" / "eye-eye-flat.toml").read_text("utf-8")
    own = tmp_path / "own.toml"
    own.write_text(
        text.replace('name = "eye-eye-flat', 'name = "bench')
        .replace("height = 3.5", "height = 10").replace("clear = 2.0", "clear = 6")
    )
    path = rx(changed(SMALLEST, ('"eye-eye-flat"', '"bench"')))
    result = run("prescription", "check", path, "--templates", str(own))
    assert result.exit_code == 1
    assert "label 35.9 at 10 mm height is" in result.stderr
    assert "a height of 3.5 mm would fit" in result.stderr


def test_check_tells_usable_from_refused(rx):
    assert "usable; 5 steps for case QF-1043" in run("prescription", "check", rx(SMALLEST)).stdout
    result = run(
        "prescription", "check", rx(changed(SMALLEST, ("registered = 2.9", "registered = 9")))
    )
    assert result.exit_code == 1
    assert "rx.toml: " in result.stderr


def test_about_names_what_decides_the_results():
    result = run("about")
    pyproject = Path(__file__).parent.parent.parent / "pyproject.toml"
    wanted = tomllib.loads(pyproject.read_text("utf-8"))["project"]["dependencies"]
    pinned = {name for name, equal, _ in (line.partition("==") for line in wanted) if equal}
    assert pinned == set(about._DECISIVE)
    for name in ("labkit", *pinned):
        assert re.search(rf"(?m)^{name} +\d", result.stdout), name
    assert lines(run("about", "--json"))[0]["versions"]["cadquery"] == "2.8.0"
