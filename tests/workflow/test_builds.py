"""Build jobs: which rods are taken, where they lie, what is recorded, what is refused."""

from __future__ import annotations

import datetime
import json
import re
import shutil
from contextlib import contextmanager
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import lib3mf
import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.core.rod.rods import KeepOut
from labkit.documents.build_map import look_alikes
from labkit.errors import InputError, RefusedError
from labkit.exports.write.set_folder import wrong_files
from labkit.ledger.bodies import CaseOpened, RodState
from labkit.ledger.builds import builds_of
from labkit.ledger.verify import verify
from labkit.workflow.builds import files
from labkit.workflow.builds.failed import fail_build
from labkit.workflow.builds.job import JobAsked, make_build, plan_build
from labkit.workflow.builds.pieces import coupon_pieces
from labkit.workflow.builds.report import build_report
from labkit.workflow.builds.wanted import Asked
from labkit.workflow.inspection.certificate import certificate_pdf
from labkit.workflow.process.coupons import CouponsAsked, make_coupons
from labkit.workflow.record.lookup import find_rod
from labkit.workflow.record.reports import rod_report
from tests.documents.pdfs import text_of
from tests.support import making
from tests.support.making import CASE, MEANS, still
from tests.support.measured import measure_all
from tests.workflow.conftest import OTHER
from tests.workflow.test_release import let_go

NOMINAL = MEANS.process


def asked(*words, **more):
    return JobAsked(Asked(words, more.pop("spares", ()), more.pop("again", ())), **more)


def build(recorder, folder, *words, process=NOMINAL, **more):
    means = (process, MEANS.profile)
    return make_build(asked(*words, **more), means, folder, recorder, still)


def identifiers(recorder, case=CASE):
    return [rod.identifier for rod in recorder.ledger.rods(case)]


def names_in(path):
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    found, walk = [], model.GetMeshObjects()
    while walk.MoveNext():
        found.append(walk.GetCurrentMeshObject().GetName())
    return found


def test_rods_of_two_cases_lie_on_one_bed_and_are_found_there(two, builds):
    rods = identifiers(two)
    made = build(two, builds, CASE, OTHER, spares=(rods[0],))
    assert made.folder == builds / "build-1"
    assert sorted(path.name for path in made.folder.iterdir()) == [
        "SHA256SUMS", "bed-1.3mf", "build.csv", "build.json", "map.pdf",
    ]
    assert wrong_files(made.folder) == ()
    names = names_in(made.folder / "bed-1.3mf")
    # Every rod of both cases once, and one spare: the names bear case, label and identifier.
    assert len(names) == len(rods) + len(identifiers(two, OTHER)) + 1
    labels = {rod.identifier: rod.label for case in (CASE, OTHER) for rod in two.ledger.rods(case)}
    for name in names:
        case, label, identifier = re.fullmatch(
            r"(QF-\d+) ([\d.]+) ([\d ]{17})(?: spare 1)?", name
        ).groups()
        assert labels[identifier.replace(" ", "")] == label
        assert identifier.replace(" ", "") in identifiers(two, case)
    assert sum(name.endswith("spare 1") for name in names) == 1
    (told,) = builds_of(two.ledger, CASE)
    assert told.given == set(rods)
    own, spare = told.pieces_of(rods[0])
    words = rod_report(find_rod(two.ledger, rods[0])).words
    assert (
        f"Built: build 1, bed 1, place {own.place} (or spare 1: bed 1, place {spare.place}); laid "
        "out 2031-03-14 09:00:00 UTC by anna, process nominal"
    ) in words
    content = json.loads((made.folder / "build.json").read_text())
    places = {piece["identifier"]: piece["place"] for bed in content["beds"]
              for piece in bed["pieces"] if not piece["spare"]}
    assert all(
        told.pieces_of(rod)[0].place == places[rod] for rod in rods
    )
    assert verify(two.ledger).ok


def test_like_labels_of_two_cases_are_told(two):
    planned = plan_build(two.ledger, asked(CASE, OTHER), NOMINAL)
    (label,) = look_alikes(files.beds_of(planned.layout)[0].pieces)
    assert label == two.ledger.rods(OTHER)[0].label
    words = build_report(planned, None).words
    assert f"on bed 1 the rods {label} differ by their place alone: QF-1050 place" in words


def test_a_rod_is_built_once_unless_it_is_named_again(two, builds):
    rods = identifiers(two)
    build(two, builds, CASE)
    with pytest.raises(RefusedError, match=r"to build; .*\nQF-1043-r1 \(4 rods\): in build 1 alr"):
        build(two, builds, CASE)
    with pytest.raises(RefusedError, match=r"the rod .* is not built: in build 1 already; if that"):
        build(two, builds, rods[0])
    planned = plan_build(two.ledger, asked(CASE, OTHER), NOMINAL)
    assert {one.piece.case for one in planned.layout.lying} == {OTHER}
    report = build_report(planned, None)
    assert report.table("Not built").cells("why") == ("in build 1 already",)
    assert "In build 1 already: if that failed, record it with --failed 1; to build" in report.words
    made = build(two, builds, again=(rods[0],))
    assert made.number == 2
    assert [one.number for one in builds_of(two.ledger, CASE)] == [1, 2]


def test_a_reason_is_said_once_for_all_its_rods(two, builds):
    rods = identifiers(two)
    resin = making.INSTALLED.processes["example-resin"]
    with pytest.raises(RefusedError) as refused:
        build(two, builds, CASE, OTHER, process=resin)
    (told,) = str(refused.value).splitlines()
    assert told.startswith("the sets QF-1043-r1, QF-1050-r1 were made with the process nominal, ")
    build(two, builds, CASE, OTHER)
    with pytest.raises(RefusedError) as refused:
        build(two, builds, CASE, OTHER)
    assert str(refused.value).splitlines()[1:] == [
        "QF-1043-r1 (4 rods), QF-1050-r1 (2 rods): in build 1 already; if that failed, record it "
        "with --failed 1; to build a rod twice, name it with --again; `labkit find` says where it "
        "lies",
    ]
    with pytest.raises(RefusedError) as refused:
        build(two, builds, *rods)
    (told,) = str(refused.value).splitlines()
    assert told.startswith(f"4 rods, {grouped(rods[0])} (")
    assert " are not built: in build 1 already; if that failed" in told


def test_a_case_without_a_set_is_told(two, builds):
    two.ledger.write("QF-1060", CaseOpened(), "anna", two.now())
    with pytest.raises(RefusedError, match=r"QF-1060: no set of the case was made; make it with"):
        build(two, builds, "QF-1060")
    report = build_report(plan_build(two.ledger, asked(OTHER, "QF-1060"), NOMINAL), None)
    assert report.table("Not built").cells("set") == ("QF-1060",)
    assert "No set of the case was made: make it with `labkit make FILE --out DIR" in report.words


def test_rods_of_a_failed_build_are_open_again(two, builds):
    rods = identifiers(two)
    build(two, builds, CASE, OTHER)
    who = ("anna", two.now())
    report = fail_build(two.ledger, 1, (rods[0],), "fell off the bed", who)
    assert report.table("Rods to build again").cells("identifier") == (rods[0],)
    made = build(two, builds, CASE)
    assert [one.piece.stored.identifier for one in made.planned.layout.lying] == [rods[0]]
    assert "failed: fell off the bed" in rod_report(find_rod(two.ledger, rods[0])).words
    fail_build(two.ledger, 1, (), "resin ran out", who)
    with pytest.raises(RefusedError, match="no rod of build 1 is open to fail"):
        fail_build(two.ledger, 1, (), "resin ran out", who)
    with pytest.raises(RefusedError, match=r"the rod .* is not open to fail in build 1: what did"):
        fail_build(two.ledger, 1, (rods[0],), "resin ran out", who)
    with pytest.raises(InputError, match="there is no build 7 in the record; its last one is"):
        fail_build(two.ledger, 7, (), "resin ran out", who)
    with pytest.raises(InputError, match="no reason is given"):
        fail_build(two.ledger, 1, (), " ", who)


def test_rods_that_exist_or_are_gone_are_not_built(two, builds):
    first, second, *_ = identifiers(two)
    for rod, state in ((first, "lost"), (second, "withdrawn")):
        two.ledger.write(CASE, RodState(rod, state), "anna", two.now())
        with pytest.raises(RefusedError, match=f"is not built: {state}"):
            build(two, builds, rod)
        with pytest.raises(RefusedError, match=f"is not built: {state}"):
            build(two, builds, again=(rod,))
    measure_all(two, OTHER)
    with pytest.raises(RefusedError, match=r"to build; .*\nQF-1050-r1 .*: measured already; if"):
        build(two, builds, OTHER)
    planned = plan_build(two.ledger, asked(CASE, OTHER), NOMINAL)
    assert len(planned.layout.lying) == len(identifiers(two)) - 2
    assert not builds.exists() or list(builds.iterdir()) == []


def test_what_is_no_case_set_or_rod_is_told(two, builds):
    with pytest.raises(InputError, match="QF-1043"):
        build(two, builds, "QF-1O43")
    with pytest.raises(RefusedError, match="no spare of .* without the rod itself"):
        build(two, builds, OTHER, spares=(identifiers(two)[0],))


def test_a_set_of_another_process_is_refused(two, builds):
    resin = making.INSTALLED.processes["example-resin"]
    with pytest.raises(RefusedError, match="made with the process nominal, not with ex"):
        build(two, builds, CASE, process=resin)
    moved = replace(NOMINAL, compensation=replace(NOMINAL.compensation, bore_offset_mm=0.1))
    with pytest.raises(RefusedError, match=r"an earlier nominal \(changed since: compensation\)"):
        build(two, builds, CASE, process=moved)
    roomy = replace(NOMINAL, plate=replace(NOMINAL.plate, spacing_mm=9.0), title="moved")
    assert plan_build(two.ledger, asked(CASE), roomy).layout.plans


@contextmanager
def moved_away(path):
    """Move what other tests use away, and back."""
    away = path.with_name(f"{path.name}.away")
    path.rename(away)
    try:
        yield
    finally:
        away.rename(path)


def test_a_set_whose_files_are_not_as_recorded_is_refused(two, builds):
    folder = Path(two.ledger.set_named(f"{CASE}-r1").folder)
    with moved_away(folder), pytest.raises(RefusedError, match=r"r1 is no longer in .*put its"):
        build(two, builds, CASE)
    stl = next((folder / "stl").iterdir())
    with moved_away(stl), pytest.raises(RefusedError, match=r"is not as recorded: stl/.* missing"):
        build(two, builds, CASE)
    assert builds_of(two.ledger, CASE) == ()


def test_what_finds_no_room_is_kept_whole_for_the_next_build(two, builds):
    small = replace(NOMINAL, plate=replace(NOMINAL.plate, width_mm=100.0, depth_mm=28.0, beds=1))
    made = build(two, builds, CASE, OTHER, process=small)
    ((group, why),) = made.planned.layout.left
    assert ({piece.case for piece in group}, why) == (
        {OTHER}, "1 bed of this build had no room for it",
    )
    kept = build_report(made.planned, made).table("Kept for the next build")
    assert kept.cells("what") == (f"{OTHER}-r1",)
    assert builds_of(two.ledger, OTHER) == ()
    second = plan_build(two.ledger, asked(CASE, OTHER), small)
    assert {one.piece.case for one in second.layout.lying} == {OTHER}
    wall = replace(small.plate, keep_out=(KeepOut(9.0, 0.0, 84.0, 28.0),))
    with pytest.raises(RefusedError, match=r"nothing fits: part .* less 1 keep-out zone"):
        build(two, builds, again=(identifiers(two)[0],), process=replace(small, plate=wall))


def test_spares_of_the_process_are_built_of_every_rod(two):
    process = replace(NOMINAL, build=replace(NOMINAL.build, spares=2))
    planned = plan_build(two.ledger, asked(OTHER), process)
    rods = identifiers(two, OTHER)
    assert len(planned.layout.lying) == 3 * len(rods)
    assert sorted(one.piece.spare for one in planned.layout.lying) == sorted([0, 1, 2] * len(rods))


@pytest.fixture(scope="module")
def coupons(tmp_path_factory):
    """Six coupons of the nominal process."""
    folder = tmp_path_factory.mktemp("coupons") / "coupons"
    template = making.INSTALLED.templates["eye-eye-flat"]
    lengths = tuple(map(Decimal, ("20.0", "30.0", "40.0")))
    day = datetime.date(2031, 3, 14)
    make_coupons(CouponsAsked(template, NOMINAL, day, lengths, 2), folder, still)
    return folder


def test_coupons_go_along(two, builds, coupons):
    made = build(two, builds, OTHER, coupons=(coupons,))
    names = [name for path in made.folder.glob("bed-*.3mf") for name in names_in(path)]
    assert sorted(name for name in names if name.startswith("coupon")) == [
        f"coupon {length}-{number}" for length in ("20.0", "30.0", "40.0") for number in (1, 2)
    ]
    content = json.loads((made.folder / "build.json").read_text())
    assert content["cases"] == [OTHER]
    assert sum(piece["coupon"] for bed in content["beds"] for piece in bed["pieces"]) == 6
    assert build_report(made.planned, made).table("Cases").cells("letter") == ("A", "K")
    (coupons / "coupons.csv").write_text("filled in")
    assert plan_build(two.ledger, asked(CASE, coupons=(coupons,)), NOMINAL).layout.plans


def test_coupons_of_another_process_or_changed_are_refused(two, coupons, tmp_path):
    moved = replace(NOMINAL, compensation=replace(NOMINAL.compensation, bore_offset_mm=0.1))
    with pytest.raises(RefusedError, match=r"the process nominal of this build \(not alike: co"):
        coupon_pieces(coupons, moved)
    copied = shutil.copytree(coupons, tmp_path / "copied")
    (copied / "stl" / "coupon_30.0.stl").write_bytes(b"x")
    with pytest.raises(InputError, match=r"stl/coupon_30\.0\.stl is missing or not as it was made"):
        coupon_pieces(copied, NOMINAL)
    (copied / "coupons.json").unlink()
    with pytest.raises(InputError, match=r"coupons\.json is missing"):
        coupon_pieces(copied, NOMINAL)
    with pytest.raises(InputError, match=r"is no folder of coupons: it holds neither SHA256SUMS"):
        coupon_pieces(tmp_path, NOMINAL)


def run(*words):
    result = CliRunner().invoke(cli, ["plate", *words], env={"COLUMNS": "200"})
    return result.exit_code, result.output


WRONG = {
    "nothing named": (("--by", "anna"), "name what is to be built: cases, sets or identifiers"),
    "no folder": ((CASE,), "a build is written and recorded: name its folder with --out"),
    "a reason for nothing": ((CASE, "--reason", "x"), "--reason belongs to --failed"),
    "nobody": (("--failed", "1", "--reason", "x"), "that a build failed is recorded under an"),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_a_command_lacks_is_told(two, monkeypatch, name):
    monkeypatch.setenv("LABKIT_LEDGER", str(two.ledger.database.file))
    monkeypatch.delenv("LABKIT_BY", raising=False)
    words, told = WRONG[name]
    code, output = run(*words)
    assert (code, told in output) == (2, True), output


def test_the_command_looks_builds_and_fails(two, builds, monkeypatch):
    monkeypatch.setenv("LABKIT_LEDGER", str(two.ledger.database.file))
    code, output = run(CASE, "--dry-run")
    assert (code, "What would be built: beds" in output) == (0, True), output
    code, output = run(CASE, "--out", str(builds), "--by", "anna", "--json")
    content = json.loads(next(line for line in output.splitlines() if line.startswith("{")))
    assert (code, content["build"], content["not_built"]) == (0, 1, [])
    one = identifiers(two)[0]
    failed = ("--failed", "1", "--reason", "fell off", "--by", "ben")
    code, output = run(*grouped(one).split(), *failed)
    assert (code, "Build 1 did not give 1 rod (fell off)" in output) == (0, True), output
    assert builds_of(two.ledger, CASE)[0].failed == {one: "fell off"}


def test_a_release_names_the_builds_that_its_rods_come_from(two, builds, out):
    build(two, builds, CASE)
    first = identifiers(two)[0]
    fail_build(two.ledger, 1, (first,), "fell off", ("anna", two.now()))
    build(two, builds, CASE)
    measure_all(two, CASE)
    out.mkdir()
    event = let_go(two, out).event
    lay = {rod["identifier"]: rod["builds"] for rod in event.body["basis"]["rods"]}
    assert lay.pop(first) == [{"build": 2, "bed": 1, "place": 1}]
    assert {one["build"] for each in lay.values() for one in each} == {1}
    pages = text_of(certificate_pdf(two.ledger, two.ledger.set_named(f"{CASE}-r1"), event))
    assert re.search(r"Build\s*1, 2", pages)


def test_another_run_that_records_first_wins(two, builds, monkeypatch):
    from labkit.workflow.builds import job

    def raced(*given):
        monkeypatch.undo()
        two.ledger.write(CASE, RodState(identifiers(two)[0], "lost"), "ben", two.now())
        job.write_files(*given)

    monkeypatch.setattr(job, "write_files", raced)
    with pytest.raises(RefusedError, match="the record has changed while the beds were written"):
        build(two, builds, CASE)
    assert list(builds.iterdir()) == []


def test_a_build_recorded_and_not_in_its_place_is_put_there(two, builds):
    made = build(two, builds, CASE)
    made.folder.rename(builds / ".build-1.unfinished")
    (builds / ".build-2.unfinished").mkdir()
    again = build(two, builds, CASE)
    assert (again.settled, again.planned) == ((made.folder,), None)
    assert wrong_files(made.folder) == ()
    assert [path.name for path in builds.iterdir()] == ["build-1"]
    assert identifiers(two)[0] in (made.folder / "build.csv").read_text()
