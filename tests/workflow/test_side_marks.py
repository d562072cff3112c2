"""L and R from the prescription to files, papers, record, rods in between and replacements."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from labkit.core.case.extra_requests import ByPercent
from labkit.documents import bag_labels
from labkit.exports.scan.measure import measure_scan
from labkit.ledger.bodies import RodState
from labkit.ledger.store import open_ledger
from labkit.workflow.record.recorder import Recorder
from labkit.workflow.rods.extra import ExtraOrder, extra_plan
from labkit.workflow.rods.replace import replacement_job
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.make import job_of
from tests.support.dry import PLACE, finished, first_set, started
from tests.support.making import INSTALLED, MEANS, START, make, still
from tests.support.prescriptions import SMALLEST, changed, source
from tests.support.rods import templates

SIDES = "[appliance.left]\npin_distance = 33.6\n[appliance.right]\npin_distance = 34.6"
UNEVEN = changed(SMALLEST, ("pin_distance = 33.6", SIDES))
ONE_STEP = changed(UNEVEN, ("percent = [50, 62.5, 75, 87.5, 100]\nstart = 62.5", "percent = [75]"))


@pytest.fixture
def recorder(tmp_path):
    with open_ledger(str(tmp_path / "l.sqlite")) as ledger:
        yield Recorder(ledger, "anna", lambda: START, still)


def unmarked(recorder, text):
    """Record a set of uneven sides as earlier versions made it: without L and R."""
    case = replace(open_case(source(text), dict(INSTALLED.templates)), marked=False)
    return finished(recorder, started(recorder, job_of(case, MEANS)))


def between(recorder):
    order = ExtraOrder("QF-1043", (ByPercent(68),))
    return extra_plan(recorder.ledger, order, INSTALLED).job(INSTALLED.lettering)


def once_more(recorder, spec):
    rod = recorder.ledger.rods_of_set(f"{spec['case']}-r{spec['revision']}")[0]
    return replacement_job(recorder.ledger, (rod,), (INSTALLED.lettering, None))


def marks(job):
    return {part.rod.mark for part, _ in job.planned}


def test_rods_between_and_replacements_bear_what_the_first_ones_bore(recorder):
    spec = first_set(recorder, UNEVEN)
    assert {part["mark"] for part in spec["parts"]} == {"L", "R"}
    assert marks(between(recorder)) == {"L", "R"}
    assert marks(once_more(recorder, spec)) == {"L"}


def test_a_case_of_equal_sides_stays_without_marks(recorder):
    spec = first_set(recorder, SMALLEST)
    assert marks(between(recorder)) == {""}
    assert marks(once_more(recorder, spec)) == {""}


def test_a_rod_in_place_of_an_unmarked_one_is_unmarked_and_new_ones_are_marked(recorder):
    spec = unmarked(recorder, UNEVEN)
    assert {part["mark"] for part in spec["parts"]} == {""}
    assert marks(once_more(recorder, spec)) == {""}
    assert marks(between(recorder)) == {"L", "R"}


def beside(recorder, text):
    """Reserve a next set of the case, as `labkit make` does."""
    job = job_of(open_case(source(text), dict(INSTALLED.templates)), MEANS)
    return recorder.start_beside(job, PLACE, 1, take_back=True)[0], job


@pytest.mark.parametrize("first", [first_set, unmarked], ids=["marked", "unmarked"])
def test_a_next_set_of_equal_sides_is_marked_beside_rods_whose_sides_differ(recorder, first):
    first(recorder, UNEVEN)
    job, alone = beside(recorder, changed(SMALLEST, ("pin_distance = 33.6", "pin_distance = 37.6")))
    assert (marks(alone), marks(job)) == ({""}, {"L", "R"})
    assert job.inputs_sha256 == alone.inputs_sha256


def test_rods_that_are_gone_decide_nothing(recorder):
    for rod in first_set(recorder, UNEVEN)["parts"]:
        for use in rod["uses"]:
            recorder.ledger.write("QF-1043", RodState(use["identifier"], "lost"), "anna", START)
    assert marks(beside(recorder, SMALLEST)[0]) == {""}


def test_files_labels_checks_and_papers_say_the_same_side(tmp_path):
    made = make(ONE_STEP, tmp_path, None)
    left, right = made.spec["parts"]
    assert (left["part"], right["part"]) == ("33.0L", "34.0R")
    for part, side in ((left, "left"), (right, "right")):
        assert [use["side"] for use in part["uses"]] == [side]
        for kind in ("step", "stl"):
            assert part["files"][kind].endswith(f"_{part['part']}.{kind}")
            assert (made.folder / part["files"][kind]).is_file()
    report = json.loads((made.folder / "checks.json").read_text())
    assert [part["part"] for part in report["parts"]] == ["33.0L", "34.0R"]
    assert [part.check.label_read for part in made.parts] == ["33.0L", "34.0R"]
    engraved = [label["engraved"] for label in bag_labels.facts(made.spec)["labels"]]
    assert engraved == ["33.0L", "34.0R"]
    # A scan of it reads the mark, too.
    scan = measure_scan(
        made.folder / right["files"]["stl"], {"eye-eye-flat": templates()["eye-eye-flat"]},
        INSTALLED.lettering, 0.02,
    )
    assert scan.label.engraving == "34.0R"
