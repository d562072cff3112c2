"""The papers of a set: made with it, made again the same, refused when the set was changed."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import processes
from labkit.catalog.profiles import default_profile
from labkit.catalog.rods import rod_templates
from labkit.cli.main import cli
from labkit.errors import DeliveryError
from labkit.exports.set_folder import sha256_of
from labkit.workflow.cases import open_case
from labkit.workflow.job import Means
from labkit.workflow.make import make_set
from labkit.workflow.papers import count_papers
from tests.support.prescriptions import SMALLEST, changed, source

DOCUMENTS = {
    "case-sheet.pdf",
    "wearers-page.pdf",
    "build-sheet.pdf",
    "rod-drawing.pdf",
    "rod-drawing.svg",
    "rod-drawing.dxf",
    "inspection-form.pdf",
    "inspection-form.csv",
    "bag-labels.pdf",
}
TEXT = changed(SMALLEST, ("percent = [50, 62.5, 75, 87.5, 100]", "percent = [50, 62.5]"))


def make(out, told=lambda _: None):
    case = open_case(source(TEXT), rod_templates())
    means = Means(processes()["nominal"], load_lettering(), default_profile())
    return make_set(case, means, out, told)


@pytest.fixture
def made(tmp_path):
    return make(tmp_path / "sets")


def sums(folder):
    return {
        p.relative_to(folder).as_posix(): sha256_of(p) for p in folder.rglob("*") if p.is_file()
    }


def papers(*arguments):
    return CliRunner().invoke(cli, ["papers", *map(str, arguments)])


def test_a_set_has_all_papers_and_pictures(made):
    assert {p.name for p in (made.folder / "documents").iterdir()} == DOCUMENTS
    pictures = {p.name for p in (made.folder / "pictures").iterdir()}
    assert {"set.svg", "set.glb"} <= pictures
    if not made.problems:
        assert pictures == {"set.svg", "set.glb", "set.png", "35.9.png", "34.4.png"}


def test_the_progress_bar_knows_how_many_files_there_are(tmp_path):
    told = []
    made = make(tmp_path, told.append)
    if not made.problems:
        assert len(told) == len(made.parts) + 1 + count_papers(len(made.parts))


def test_made_again_they_are_the_same(made):
    before = sums(made.folder)
    (made.folder / "documents" / "case-sheet.pdf").unlink()
    result = papers(made.folder)
    assert result.exit_code == 0, result.output
    assert sums(made.folder) == before


def test_made_elsewhere_with_another_profile(made, tmp_path):
    before = sums(made.folder)
    profile = tmp_path / "lab.toml"
    profile.write_text('schema = 1\nname = "Harrow Lane Bench"\npaper = "us-letter"\n')
    result = papers(made.folder, "--profile", profile)
    assert result.exit_code == 2
    assert "another profile than the set's own needs --out" in result.stderr
    result = papers(made.folder, "--profile", profile, "--out", tmp_path / "letter")
    assert result.exit_code == 0, result.output
    assert {p.name for p in (tmp_path / "letter" / "documents").iterdir()} == DOCUMENTS
    other = (tmp_path / "letter" / "documents" / "case-sheet.pdf").read_bytes()
    assert other != (made.folder / "documents" / "case-sheet.pdf").read_bytes()
    assert sums(made.folder) == before


@pytest.mark.parametrize("kind", ["step", "stl"])
def test_a_changed_part_is_refused(made, kind):
    path = next((made.folder / kind).iterdir())
    path.write_bytes(path.read_bytes() + b"\n")
    result = papers(made.folder)
    assert result.exit_code == 2
    assert f"{kind}/{path.name} is missing or not as it was made" in result.stderr


def test_a_changed_spec_is_refused(made):
    path = made.folder / "spacer-set.json"
    path.write_text(path.read_text("utf-8").replace('"35.9"', '"36.9"'))
    result = papers(made.folder)
    assert result.exit_code == 2
    assert "spacer-set.json is missing or not as it was made" in result.stderr


@pytest.mark.parametrize("name", ["missing", "."])
def test_a_folder_that_is_no_set(tmp_path, name):
    result = papers(tmp_path / name)
    assert result.exit_code == 2
    assert "is not a finished set" in result.stderr


def test_without_a_graphics_driver_the_set_is_made_and_says_what_is_missing(tmp_path, monkeypatch):
    def no_driver(_):
        raise DeliveryError("the rods cannot be pictured: no driver")

    monkeypatch.setattr("labkit.exports.pictures.set_png", no_driver)
    made = make(tmp_path)
    assert made.problems == ("the rods cannot be pictured: no driver",)
    assert {p.name for p in (made.folder / "pictures").iterdir()} == {"set.svg", "set.glb"}
    assert {p.name for p in (made.folder / "documents").iterdir()} == DOCUMENTS
