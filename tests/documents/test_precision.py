"""Numbers on papers and in tables have the precision of what they stand for, never more."""

from __future__ import annotations

import re

import pytest

from labkit.catalog.rods import rod_templates
from labkit.core.report import On
from labkit.documents.papers import PAPERS, write_documents
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.lengths_report import lengths_report
from tests.documents.bench_specs import SIX, spec_of
from tests.documents.pdfs import text_of
from tests.support.prescriptions import changed, hinged, source

#: Readings as a trial fit works them out, and seats as a scan gives them.
WORKED_OUT = {
    "straight": changed(SIX, ("protruded = 6.4", "protruded = 7.137886384"),
                        ("pin_distance = 33.6", "pin_distance = 33.6123456789")),
    "hinged": changed(hinged(), ("protruded = 6.0", "protruded = 7.137886384"),
                      ("lower = [-33, -29, -7]", "lower = [-33.123456789, -29.6543, -7.4321]")),
}
#: Most decimals of a number on a paper. Readings are told to a tenth, advancement and turns to a
#: hundredth, what is built or measured to a micrometre.
MOST = {
    "case-sheet": 2, "wearers-page": 1, "bag-labels": 2, "build-sheet": 3, "inspection-form": 3,
}
#: What has one more: the scale of a process, a standard uncertainty in mm, and what is put on a
#: reading: halves of diameters that are known to a micrometre.
FINER = {
    "build-sheet": r"× [0-9.]+",
    "inspection-form": r"uncertainty of [0-9.]+ mm|ength = reading . [0-9.]+ mm, within ±[0-9.]+",
}
_NUMBER = re.compile(r"(?<![\w.-])[+−-]?\d+\.(\d+)")


def too_fine(text, most):
    return [found.group() for found in _NUMBER.finditer(text) if len(found.group(1)) > most]


@pytest.fixture(scope="module", params=WORKED_OUT)
def papers(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("papers")
    write_documents(spec_of(WORKED_OUT[request.param]), folder, {}, lambda _: None)
    return {
        paper.name: text_of((folder / "documents" / f"{paper.name}.pdf").read_bytes())
        for paper in PAPERS
    }


def test_every_paper_has_its_precision_told_here():
    assert {paper.name for paper in PAPERS} == set(MOST)


@pytest.mark.parametrize("name", MOST)
def test_no_number_on_a_paper_is_finer_than_what_it_stands_for(papers, name):
    text = re.sub(FINER.get(name, "$^"), "", " ".join(papers[name].split()))
    assert _NUMBER.search(text) or name == "wearers-page"
    assert too_fine(text, MOST[name]) == []


def test_readings_that_a_trial_fit_worked_out_are_told_to_a_tenth(papers):
    text = " ".join(papers["case-sheet"].split())
    assert "protruded +7.1" in text
    assert re.search(r"protrusive range 1[12].[13] mm", text)


@pytest.mark.parametrize("model", WORKED_OUT)
def test_no_number_in_a_table_of_lengths_is_finer_than_what_it_stands_for(model):
    case = open_case(source(WORKED_OUT[model]), rod_templates())
    report = lengths_report(case, (3.0,) if model == "hinged" else ())
    for section in report.parts(On.SCREEN):
        words = " ".join(section.words)
        assert too_fine(words, 2) == []
        if section.table is not None:
            cells = [cell for row in section.table.shown(On.SCREEN).texts for cell in row]
            assert too_fine(" ".join(cells), 2) == []
    assert "protruded 7.1, registered 2" in report.words
    assert re.search(r"Protrusive range 1[12].[13] mm", report.words)
