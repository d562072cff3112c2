"""`labkit make` and `labkit demo`: whole sets, measured, reproducible, or refused."""

from __future__ import annotations

import csv
import dataclasses
import json
import os
import signal
import subprocess
import sys
import time
from decimal import Decimal
from pathlib import Path

import pytest
from click.testing import CliRunner

from labkit.catalog.lettering import load_lettering
from labkit.catalog.places import templates_dir
from labkit.catalog.processes import processes
from labkit.catalog.profiles import default_profile
from labkit.catalog.rods import rod_templates
from labkit.cli.main import cli
from labkit.core.case.identifier import parse_identifier
from labkit.errors import CheckError, LabelError
from labkit.exports.write.set_folder import sha256_of
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.job import Means
from labkit.workflow.sets.make import make_set
from tests.documents.pdfs import text_of
from tests.support.prescriptions import SMALLEST, changed, hinged, source

ROOT = Path(__file__).parent.parent.parent
SHORT = changed(SMALLEST, ("percent = [50, 62.5, 75, 87.5, 100]", "percent = [50, 62.5]"))
#: 18.9 reads 6.81 upside down, so it gets a bar; 16.0 is near the shortest rod.
BARRED = changed(SHORT, ("pin_distance = 33.6", "pin_distance = 16.6"))


def make(text, out, process="nominal"):
    case = open_case(source(text), rod_templates())
    means = Means(processes()[process], load_lettering(), default_profile())
    return make_set(case, means, out, lambda _: None)


def files_of(folder):
    return {p.relative_to(folder).as_posix(): p for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return make(hinged(), tmp_path_factory.mktemp("sets"))


def test_the_folder_holds_what_the_spec_names(made):
    spec = json.loads((made.folder / "spacer-set.json").read_text("utf-8"))
    assert spec == made.spec
    named = {"spacer-set.json", "spacer-set.csv", "checks.json", "SHA256SUMS"}
    for part in spec["parts"]:
        named |= set(part["files"].values())
    named |= {plate["file"] for plate in spec["plates"]}
    found = {n for n in files_of(made.folder) if not n.startswith(("documents/", "pictures/"))}
    assert found == named


def test_what_a_jaw_model_does_not_know_is_null_in_the_spec(made, tmp_path):
    jaw = made.spec["prescription"]["jaw"]
    assert jaw["path_inclination_deg"] is None
    assert jaw["condyle_left"] is not None
    straight = make(SHORT, tmp_path).spec["prescription"]["jaw"]
    assert {k for k, v in straight.items() if v not in (None, [])} == {"model"}


def test_every_step_and_side_has_one_rod_with_an_identifier_of_its_own(made):
    uses = [(u["step"], u["side"]) for part in made.spec["parts"] for u in part["uses"]]
    steps = made.spec["lengths"]["steps"]
    assert sorted(uses) == [(n, s) for n in range(1, len(steps) + 1) for s in ("left", "right")]
    identifiers = [u["identifier"] for part in made.spec["parts"] for u in part["uses"]]
    assert len(set(identifiers)) == len(identifiers)
    assert [parse_identifier(i) for i in identifiers] == identifiers
    for part in made.spec["parts"]:
        for use in part["uses"]:
            assert steps[use["step"] - 1][use["side"]]["label"] == part["label"]
            assert part["mark"] == use["side"][0].upper()


def test_plates_hold_every_piece_once(made):
    counts = {}
    for plate in made.spec["plates"]:
        for item in plate["items"]:
            counts[item["part"]] = counts.get(item["part"], 0) + item["quantity"]
    assert counts == {part["part"]: part["quantity"] for part in made.spec["parts"]}


def test_the_check_report_has_only_passed_checks_with_numbers(made):
    report = json.loads((made.folder / "checks.json").read_text("utf-8"))
    assert [p["part"] for p in report["parts"]] == [p["part"] for p in made.spec["parts"]]
    for part, spec in zip(report["parts"], made.spec["parts"], strict=True):
        assert part["passed"] is True
        assert part["label_read"] == spec["label"] + spec["mark"]
        assert abs(part["step_length_mm"] - float(spec["length_mm"])) < 1e-6
        assert abs(part["stl_length_mm"] - float(spec["length_mm"])) < 0.002
        assert all(check["passed"] for check in part["checks"])
    assert report["plates"]
    assert all(plate["passed"] for plate in report["plates"])


def test_the_table_of_steps(made):
    with (made.folder / "spacer-set.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    steps = made.spec["lengths"]["steps"]
    assert [row["left_label"] for row in rows] == [step["left"]["label"] for step in steps]
    assert [float(row["percent"]) for row in rows] == [step["percent"] for step in steps]
    assert [row["start"] for row in rows] == ["yes" if s["start"] else "no" for s in steps]


def test_no_machine_path_and_no_clock_in_any_file(made):
    year = str(time.gmtime().tm_year).encode()
    for name, path in files_of(made.folder).items():
        content = path.read_bytes()
        assert str(made.folder.parent).encode() not in content, name
        if path.suffix in (".json", ".csv", ".step"):
            assert year + b"-" not in content, name


def make_in_another_process(text, out, seed):
    path = out / "rx.toml"
    out.mkdir()
    path.write_text(text)
    environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": "Asia/Tokyo"}
    subprocess.run(
        [sys.executable, "-m", "labkit", "make", str(path), "--out", str(out / "sets")],
        check=True,
        env=environment,
        capture_output=True,
        cwd=out,
    )
    return out / "sets" / "QF-1044-r1"


def test_same_input_same_bytes_in_another_process(made, tmp_path):
    other = make_in_another_process(hinged(), tmp_path / "other", "12345")
    ours, theirs = files_of(made.folder), files_of(other)
    assert list(ours) == list(theirs)
    assert {n: sha256_of(p) for n, p in ours.items()} == {
        n: sha256_of(p) for n, p in theirs.items()
    }


def test_compensation_goes_on_the_parameters_and_never_on_the_label(tmp_path):
    process = processes()["example-resin"]
    plain, built = make(SHORT, tmp_path / "a"), make(SHORT, tmp_path / "b", "example-resin")
    for nominal, compensated in zip(plain.parts, built.parts, strict=True):
        by = process.compensation
        expected = by.length_scale * float(nominal.part.rod.length) + by.length_offset_mm
        assert compensated.check.stl_length_mm == pytest.approx(expected, abs=0.002)
        assert compensated.check.step_length_mm == pytest.approx(
            float(nominal.part.rod.length), abs=1e-6
        )
        assert compensated.check.label_read == nominal.check.label_read


def test_equal_labels_on_both_sides_are_two_pieces_of_one_part(tmp_path):
    parts = make(SHORT, tmp_path).spec["parts"]
    assert [(p["part"], p["quantity"]) for p in parts] == [("35.9", 2), ("34.5", 2)]


def test_a_label_that_can_be_misread_upside_down_gets_a_bar(tmp_path):
    made = make(BARRED, tmp_path)
    assert {p.part.rod.part: p.check.label.bar for p in made.parts} == {"18.9": True, "17.5": False}
    assert [p["engraving"]["bar"] for p in made.spec["parts"]] == [True, False]


def test_a_set_whose_check_fails_is_not_delivered(tmp_path, monkeypatch):
    from labkit.exports.check import part as module

    real = module.check_part

    def one_too_short(rod, *others):
        wrong = dataclasses.replace(rod, length=rod.length + Decimal("0.1"))
        return real(wrong, *others)

    monkeypatch.setattr(module, "check_part", one_too_short)
    with pytest.raises(CheckError, match="does not measure as it should: .* is not delivered"):
        make(SHORT, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_label_the_process_cannot_show_is_refused(tmp_path):
    text = changed(SHORT, ('"eye-eye-flat"', '"ball-ball-round-slim"'))
    with pytest.raises(LabelError, match=r"its stroke width is 0\.18 mm"):
        make(text, tmp_path, "example-powder")
    assert not list(tmp_path.glob("QF*"))


def test_a_refused_case_is_not_built(tmp_path):
    path = tmp_path / "rx.toml"
    path.write_text(changed(SHORT, ("62.5]", "120]")))
    result = CliRunner().invoke(cli, ["make", str(path), "--out", str(tmp_path / "sets")])
    assert result.exit_code == 1
    assert "rx.toml: " in result.stderr
    assert not (tmp_path / "sets").exists() or not list((tmp_path / "sets").glob("QF*"))


@pytest.fixture(scope="module")
def whole_run_seconds(tmp_path_factory):
    """Time one undisturbed run, so that the kills can be spread over its whole length."""
    folder = tmp_path_factory.mktemp("whole")
    path = folder / "rx.toml"
    path.write_text(SHORT)
    begin = time.monotonic()
    subprocess.run(making(path, folder / "sets"), check=True, capture_output=True)
    return time.monotonic() - begin


def making(path, out):
    return [sys.executable, "-m", "labkit", "make", str(path), "--out", str(out)]


@pytest.mark.parametrize(
    "share",
    [0.2, 0.85, 0.99, *(pytest.param(s, marks=pytest.mark.slow) for s in (0.5, 0.7, 0.95))],
)
def test_a_kill_at_any_moment_leaves_a_whole_set_or_none(tmp_path, whole_run_seconds, share):
    path, out = tmp_path / "rx.toml", tmp_path / "sets"
    path.write_text(SHORT)
    silent = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    process = subprocess.Popen(making(path, out), **silent)
    time.sleep(share * whole_run_seconds)
    process.send_signal(signal.SIGKILL)
    process.wait()
    whole = out / "QF-1043-r1"
    if not whole.exists():
        again = subprocess.run(making(path, out), check=True, capture_output=True, text=True)
        assert "QF-1043-r1" in again.stdout
    subprocess.run(["sha256sum", "-c", "--quiet", "SHA256SUMS"], cwd=whole, check=True)
    listed = (whole / "SHA256SUMS").read_text().splitlines()
    assert len(listed) == len(files_of(whole)) - 1
    assert not list(out.glob("*.unfinished"))


def test_the_demo_is_refused_a_second_time_and_says_where_it_lies(tmp_path):
    out = str(tmp_path / "demo")
    first = CliRunner().invoke(cli, ["demo", "--out", out])
    assert first.exit_code == 0, first.output
    assert first.stdout.count("passed") > 10
    for paper in ("case-sheet", "wearers-page", "build-sheet", "inspection-form"):
        page = text_of((Path(out) / "HLB-0107-r1" / "documents" / f"{paper}.pdf").read_bytes())
        assert "Invented demonstration case" in page
    again = CliRunner().invoke(cli, ["demo", "--out", out])
    assert again.exit_code == 1
    assert "HLB-0107-r1 already" in again.stderr.replace("\n", "")
    assert list(Path(out).glob(".*")) == []
    assert templates_dir().exists()


def test_a_case_number_may_begin_with_any_word(tmp_path):
    """A binary STL must not begin with "solid"; a case number may."""
    made = make(changed(SHORT, ("QF-1043", "solid-77")), tmp_path)
    assert next((made.folder / "stl").iterdir()).read_bytes().startswith(b"labkit solid-77-r1_")
