"""Builds given again, failed twice or in another record, coupons of two folders, wrong options."""

from __future__ import annotations

import datetime
import re
import shutil
from decimal import Decimal
from pathlib import Path

import pytest

from labkit.core.case.identifier import grouped
from labkit.errors import DeliveryError, InputError, RefusedError
from labkit.exports.write.set_folder import wrong_files
from labkit.ledger.builds import builds_of, last_build
from labkit.ledger.verify import verify
from labkit.workflow.builds import job, left_behind
from labkit.workflow.builds.failed import fail_build
from labkit.workflow.builds.files import beds_of
from labkit.workflow.builds.layout import lay_out
from labkit.workflow.builds.pieces import coupon_pieces, pieces_of_coupons
from labkit.workflow.process.coupons import CouponsAsked, make_coupons
from tests.support import making
from tests.support.making import CASE, still
from tests.support.measured import measure_all
from tests.workflow.conftest import OTHER
from tests.workflow.test_builds import NOMINAL, build, identifiers, names_in, run

UNLIKE = {
    "--dry-run": (), "--out": ("x",), "--spare": ("1",), "--again": ("1",), "--coupons": ("x",),
    "--beds": ("1",), "--process": ("example-resin",), "--processes": ("x",), "--profile": ("x",),
}


@pytest.mark.parametrize("option", UNLIKE)
def test_what_only_a_build_takes_does_not_go_with_failed(two, builds, monkeypatch, option):
    monkeypatch.setenv("LABKIT_LEDGER", str(two.ledger.database.file))
    code, output = run("--failed", "1", "--reason", "x", "--by", "ben", option, *UNLIKE[option])
    assert (code, f"{option} does not go with --failed, which builds" in output) == (2, True)


def test_a_dry_run_of_a_failure_records_nothing(two, builds, monkeypatch):
    monkeypatch.setenv("LABKIT_LEDGER", str(two.ledger.database.file))
    build(two, builds, OTHER)
    assert run("--failed", "1", "--reason", "x", "--by", "ben", "--dry-run")[0] == 2
    assert builds_of(two.ledger, OTHER)[0].failed == {}


def unfinished(folder):
    """Put a build where a kill after its record leaves it."""
    return folder.rename(folder.with_name(f".{folder.name}.unfinished"))


@pytest.mark.parametrize("spoilt", ["", "map.pdf"])
def test_a_finished_build_of_another_record_stays_and_is_told(two, builds, monkeypatch, spoilt):
    monkeypatch.setattr(job, "identity_of", lambda _: "another")
    left = unfinished(build(two, builds, OTHER).folder)
    monkeypatch.undo()
    monkeypatch.setattr(left_behind, "is_recorded", lambda *_: False)
    if spoilt:
        (left / spoilt).unlink()
    told = []
    object.__setattr__(two, "say", told.append)
    assert left_behind.settle(builds, two) == ()
    left_behind.tell_unknown(builds, two, None)
    assert wrong_files(left) == ((f"{spoilt} is missing",) if spoilt else ())
    assert [sentence.partition("; it stays")[0] for sentence in told] == [
        f"{left} holds a finished build that this record does not know"
    ]


def test_a_recorded_build_stays_beside_one_in_its_place(two, builds):
    made = build(two, builds, OTHER).folder
    left = shutil.copytree(made, made.with_name(f".{made.name}.unfinished"))
    told = []
    object.__setattr__(two, "say", told.append)
    assert left_behind.settle(builds, two) == ()
    assert (wrong_files(left), wrong_files(made)) == ((), ())
    assert "holds a recorded build, and" in told[0]


def test_a_build_that_cannot_be_read_is_not_taken_for_unrecorded(two, builds, monkeypatch):
    left = unfinished(build(two, builds, OTHER).folder)

    def unread(_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(left_behind, "sha256_of", unread)
    with pytest.raises(DeliveryError, match="cannot be written to .*: Permission denied"):
        build(two, builds, CASE)
    assert wrong_files(left) == ()


@pytest.fixture
def older(two, two_cases, tmp_path):
    """The record as it was restored from before a build; what it says is kept."""
    said = []
    restored = shutil.copyfile(two_cases, tmp_path / "restored.sqlite")
    with making.recorder_for(restored, say=said.append) as recorder:
        yield recorder, said


@pytest.mark.parametrize("lies", ["in its place", "beside it"])
def test_a_restored_record_takes_up_a_build_that_it_lost(two, older, builds, lies):
    recorder, said = older
    left = build(two, builds, CASE).folder
    if lies == "beside it":
        left = unfinished(left)
    sums = (left / "SHA256SUMS").read_bytes()
    again = build(recorder, builds, CASE)
    assert (again.number, said) == (1, [
        f"{builds / 'build-1'} was finished by an earlier run and is recorded only now: its rods "
        "may be built already, so look before you build it"
    ])
    assert (again.folder / "SHA256SUMS").read_bytes() == sums
    assert [path.name for path in builds.iterdir()] == ["build-1"]
    (told,) = builds_of(recorder.ledger, CASE)
    assert (told.number, told.given) == (1, set(identifiers(two)))
    assert verify(recorder.ledger).ok


def test_what_a_slicer_saves_beside_a_build_takes_nothing_from_it(two, older, builds):
    recorder, said = older
    left = unfinished(build(two, builds, CASE).folder)
    (left / "bed-1.gcode").write_text("G1\n")
    again = build(recorder, builds, CASE)
    assert again.number == 1
    assert "was finished by an earlier run and is recorded only now" in said[0]
    assert (again.folder / "bed-1.gcode").exists()


def test_a_restored_record_deletes_no_whole_build_and_tells_of_it(two, older, builds):
    recorder, said = older
    placed = build(two, builds, OTHER).folder
    left = unfinished(build(two, builds, CASE).folder)
    torn = shutil.copytree(left, builds / ".build-3.unfinished")
    (torn / "map.pdf").unlink()
    again = (*identifiers(two), *identifiers(two, OTHER))
    made = build(recorder, builds, CASE, OTHER, again=again)
    assert made.number == 3
    assert (wrong_files(placed), wrong_files(left), torn.exists()) == ((), (), False)
    told = "holds a finished build of this record, which does not know it: a run was ended before"
    assert [sentence.partition(" holds ")[0] for sentence in said] == [str(left), str(placed)]
    assert all(told in sentence for sentence in said)


def test_a_restored_record_builds_no_rod_of_a_lost_build_again(two, older, builds):
    recorder, _ = older
    rod, *others = identifiers(two)
    lost = build(two, builds, CASE).folder
    with pytest.raises(RefusedError) as refused:
        build(recorder, builds, rod)
    assert re.fullmatch(
        rf"the rod {grouped(rod)} \(.*\) is not built: {lost}, a finished build of this record "
        "that is not in it, holds it, so it may be built already; to take that build up, give the "
        "command that made it; if it was never built, remove that folder; to build a rod twice, "
        "name it with --again; nothing was written", str(refused.value),
    )
    # Another build passes its number, and it still is not built again without a word.
    assert build(recorder, builds, OTHER).number == 2
    with pytest.raises(
        RefusedError, match=rf"4 rods, .* are not built: {lost}, .*; a later build is recorded, so "
        "that one cannot be taken up: if it was built, measure its rods as they are; if it was",
    ):
        build(recorder, builds, CASE)
    assert sorted(path.name for path in builds.iterdir()) == ["build-1", "build-2"]
    assert build(recorder, builds, again=(rod,)).number == 3
    shutil.rmtree(lost)
    assert build(recorder, builds, CASE).number == 4
    assert builds_of(recorder.ledger, CASE)[-1].given == set(others)


def test_a_settled_build_answers_the_same_command_alone(two, builds):
    rod = identifiers(two)[0]
    build(two, builds, CASE, OTHER)
    again = build(two, builds, again=(rod,)).folder
    unfinished(again)
    assert build(two, builds, again=(rod,)).settled == (again,)
    assert last_build(two.ledger) == 2
    unfinished(again)
    with pytest.raises(RefusedError, match="no rod of what was named is left to build"):
        build(two, builds, OTHER)
    assert again.is_dir()


def test_a_build_recorded_that_cannot_be_put_in_its_place_says_so(two, builds, monkeypatch):
    def no_rename(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "rename", no_rename)
    with pytest.raises(DeliveryError, match=r"build 1 is recorded, but .*left on device; it lies"):
        build(two, builds, OTHER)
    monkeypatch.undo()
    assert build(two, builds, OTHER).settled == (builds / "build-1",)


def test_a_rod_that_another_build_still_gives_is_not_said_to_be_taken_again(two, builds):
    rod, second, *_ = identifiers(two)
    build(two, builds, CASE)
    build(two, builds, again=(rod, second))
    who = ("anna", two.now())
    report = fail_build(two.ledger, 2, (rod,), "fell off", who)
    assert "In build 1 too, and so not taken again: " in report.words
    assert "takes them again" not in report.words
    assert report.data["in_other_builds"] == {rod: 1}
    report = fail_build(two.ledger, 1, (rod,), "fell off", who)
    assert report.table("Rods to build again").cells("identifier") == (rod,)


def test_cases_and_sets_of_a_build_fail_by_name(two, builds):
    build(two, builds, CASE, OTHER)
    who = ("anna", two.now())
    fail_build(two.ledger, 1, (f"{CASE}-r1",), "fell off", who)
    (own,), (other,) = builds_of(two.ledger, CASE), builds_of(two.ledger, OTHER)
    assert (own.given, other.failed) == (set(), {})
    with pytest.raises(RefusedError, match="to fail: of what was named, none lay there, or all"):
        fail_build(two.ledger, 1, (CASE,), "fell off", who)
    measure_all(two, OTHER)
    with pytest.raises(RefusedError, match="measured or judged since; nothing was recorded"):
        fail_build(two.ledger, 1, (OTHER,), "fell off", who)


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Coupons of two templates, of like lengths."""
    folder, day = tmp_path_factory.mktemp("coupons"), datetime.date(2031, 3, 14)
    lengths = tuple(map(Decimal, ("20.0", "30.0", "40.0")))
    for name in ("eye-eye-flat", "eye-eye-flat-slim"):
        template = making.INSTALLED.templates[name]
        make_coupons(CouponsAsked(template, NOMINAL, day, lengths, 1), folder / name, still)
    return folder / "eye-eye-flat", folder / "eye-eye-flat-slim"


def test_coupons_of_two_folders_are_named_by_their_folder(two, builds, folders):
    made = build(two, builds, OTHER, coupons=folders)
    names = [name for path in made.folder.glob("bed-*.3mf") for name in names_in(path)]
    wanted = {f"coupon {folder.name} {mm}-1" for folder in folders for mm in (20.0, 30.0, 40.0)}
    assert {name for name in names if name.startswith("coupon")} == wanted
    for bed in beds_of(made.planned.layout):
        for one in (one for one in bed.pieces if not one.case):
            # The map tells which coupon lies there, and draws the piece of that template.
            assert one.identifier.split()[1] == one.rod.template.name


def test_coupons_named_twice_are_refused(folders):
    with pytest.raises(InputError, match="names the folder eye-eye-flat twice, or two folders"):
        pieces_of_coupons((folders[0], folders[0] / "." / "stl" / ".."), NOMINAL)
    twice = [coupon_pieces(folder, NOMINAL) for folder in folders]
    with pytest.raises(RefusedError, match=r"two pieces .* would both be coupon 20\.0-1"):
        lay_out(twice, NOMINAL, None)
