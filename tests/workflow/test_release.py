"""Releasing a set: every rod conforms, or a line for each thing that is missing."""

from __future__ import annotations

import datetime
import sqlite3

import pytest

from labkit.catalog.profiles import Profile
from labkit.core.case.identifier import grouped
from labkit.errors import DeliveryError, InputError, LedgerError, RefusedError
from labkit.ledger.events import Kind
from labkit.ledger.verify import verify
from labkit.workflow.inspection import release as release_module
from labkit.workflow.inspection.certificate import certificate_pdf, certified, write_certificate
from labkit.workflow.inspection.release import Words, release, withhold
from labkit.workflow.inspection.release_state import release_now, releases_of
from tests.support.making import CASE, again, extra, rod_at
from tests.support.measured import measure_all, record_reading

FIRST = f"{CASE}-r1"
WHEN = datetime.datetime(2031, 3, 22, 10, 0, tzinfo=datetime.UTC)


def let_go(recorded, out, set_name=None, by="kim", asked=None, **words):
    """Release a set; `asked` is what the lab's profile says."""
    profile = None if asked is None else Profile(**asked)
    return release(
        recorded.ledger, CASE, set_name, out, (by, WHEN), Words(profile=profile, **words)
    )


def refused(recorded, out, set_name=None, **more):
    """Give the sentences of a refusal, after which nothing is recorded and no file is there."""
    before = recorded.ledger.head(), files(out)
    with pytest.raises(RefusedError) as caught:
        let_go(recorded, out, set_name, **more)
    assert (recorded.ledger.head(), files(out)) == before
    return str(caught.value).splitlines()


def files(folder):
    return sorted(p.name for p in folder.iterdir() if p.is_file())


def place(recorded, step, side, set_name=FIRST):
    rod = rod_at(recorded, set_name, step, side)
    return rod, f"rod {grouped(rod.identifier)} ({rod.label}, step {step}, {side})"


def test_a_set_of_which_every_rod_conforms_is_released(recorded, out):
    measure_all(recorded, CASE, {(1, "left"): "0.01"})
    done = let_go(recorded, out)
    ledger, event = recorded.ledger, done.event
    assert (event.kind, event.by, event.body["decision"]) == (Kind.RELEASE, "kim", "released")
    assert {rod.state for rod in ledger.rods(CASE)} == {"released"}
    assert files(out) == [f"{FIRST}-certificate-{event.seq}.pdf"]
    assert done.certificate.read_bytes() == certificate_pdf(recorded.ledger, done.stored, event)
    assert done.notes == ()
    rods = event.body["basis"]["rods"]
    assert [(r["step"], r["side"]) for r in rods] == [
        (1, "left"), (1, "right"), (2, "left"), (2, "right"),
    ]
    first = rods[0]
    assert first["measured_mm"] == pytest.approx(35.91)
    assert first["result"] == "conforms"
    assert first["acceptance_mm"][0] < first["measured_mm"] < first["acceptance_mm"][1]
    assert first["expanded_mm"] == pytest.approx(first["u_mm"] * first["coverage_factor"])
    assert (first["measured_by"], first["checked_by"], first["material_lot"]) == (
        "mo", "kim", "B-07",
    )
    assert first["reading_events"] == [first["recorded"]["event"]]
    assert verify(ledger).ok


@pytest.mark.parametrize("change", [
    "delete from events where kind = 'reading'",
    "update events set kind = 'release' where kind = 'reading'",
    "delete from events where kind = 'release'",
])
def test_a_damaged_record_is_told_before_what_it_lacks(recorded, out, change):
    """What `labkit inspect` says of it; neither "was not measured" nor "was never released"."""
    measure_all(recorded, CASE)
    let_go(recorded, out)
    with sqlite3.connect(recorded.ledger.place) as behind:
        behind.execute(change)
    behind.close()
    ledger = recorded.ledger
    for act in (lambda: let_go(recorded, out), lambda: certified(ledger, CASE, None, None)):
        with pytest.raises(LedgerError, match="is not as it was written") as caught:
            act()
        assert "`labkit ledger restore`" in str(caught.value)
    assert len(files(out)) == 1


def test_nothing_measured_is_told_rod_by_rod(recorded, out):
    head, *lines = refused(recorded, out)
    assert head == f"the set {FIRST} is not released:"
    _, name = place(recorded, 1, "left")
    assert lines[0] == (
        f"{name} was not measured; measure it and record its readings with `labkit inspect "
        f"{CASE} --set {FIRST}`"
    )
    assert len(lines) == 4


WITH = {
    "too long": (("0.20", {}), "does not conform: 36.100 mm"),
    "too short": (("-0.20", {}), "does not conform: 35.700 mm"),
    "near the limit": (("0.145", {}), "is undecided: 36.045 mm"),
    "label unread": (("0", {"label_read": None}), "its label was not read from the rod; look"),
    "fittings unseen": (("0", {"fittings": None}), "its fittings were not checked; look"),
    "neither seen": (
        ("0", {"label_read": None, "fittings": None}),
        "its label was not read from the rod and its fittings were not checked",
    ),
    "fitting bad": (("0", {"fittings": "no"}), "a fitting is not within its limits"),
    "label of another": (("0", {"label_read": "38.7"}), 'the label read from the rod is "38.7"'),
}


@pytest.mark.parametrize("name", WITH)
def test_what_is_missing_is_said_with_what_to_do(recorded, out, name):
    (error, details), sentence = WITH[name]
    rod, _ = place(recorded, 1, "left")
    record_reading(recorded, rod, error, **details)
    measure_all(recorded, CASE)
    _, *lines = refused(recorded, out)
    found = [line for line in lines if sentence in line]
    assert found, lines
    assert grouped(rod.identifier) in found[0]
    if "conform" in sentence:
        assert f"`labkit reject {rod.identifier} --cause … --new --out …`" in found[0]
    if "undecided" in sentence:
        assert "measure it again with more readings or a finer instrument" in found[0]


def test_sides_that_do_not_agree(recorded, out):
    """Each rod conforms by itself; their difference is beyond the sides' own tolerance."""
    measure_all(recorded, CASE, {(1, "left"): "0.10", (1, "right"): "-0.10"})
    _, *lines = refused(recorded, out)
    assert any("35.9" in line and "left" in line and "right" in line for line in lines), lines


def test_a_mix_up_is_not_released(recorded, out):
    """The rods of steps 1 and 2 on the left were measured the one for the other."""
    measure_all(recorded, CASE, {(1, "left"): "-2.9", (2, "left"): "2.9"})
    _, *lines = refused(recorded, out)
    assert any("mix" in line for line in lines), lines


def test_a_rejected_rod_is_replaced_measured_and_released_with_its_set(recorded, out):
    rod, _ = place(recorded, 1, "left")
    record_reading(recorded, rod, "0.2")
    measure_all(recorded, CASE)
    again(out, recorded, rod.identifier, reason="0.2 mm too long")
    new, new_name = place(recorded, 1, "left", f"{CASE}-r2")
    _, line = refused(recorded, out)
    assert line.startswith(f"{new_name} was not measured")
    record_reading(recorded, new, "0.01")
    done = let_go(recorded, out, f"{CASE}-r2")  # the set that a replacement belongs to is meant
    assert done.stored.name == FIRST
    releases = [e.body for e in recorded.ledger.current(CASE, Kind.RELEASE)]
    assert [(b["set"], b["decision"]) for b in releases] == [
        (f"{CASE}-r2", "released"), (FIRST, "released"),
    ]
    states = {r.identifier: r.state for r in recorded.ledger.rods(CASE)}
    assert states.pop(rod.identifier) == "rejected"
    assert set(states.values()) == {"released"}
    (kept,) = [r for r in done.event.body["basis"]["rods"] if r["replaced"]]
    assert kept["replaced"] == [{
        "identifier": rod.identifier, "set": FIRST, "state": "rejected",
        "reason": "0.2 mm too long",
    }]


def test_a_rod_that_nothing_replaces(recorded, out):
    measure_all(recorded, CASE)
    rod, name = place(recorded, 1, "left")
    body = {"identifier": rod.identifier, "state": "rejected", "reason": "bent"}
    recorded.ledger.record(Kind.ROD_STATE, CASE, body, "anna", WHEN)
    _, *lines = refused(recorded, out)
    assert lines[0] == (
        f"{name} is rejected and nothing takes its place; make one with `labkit replace "
        f"{rod.identifier} --reason TEXT`"
    )


def test_twice_is_refused_until_something_changes(recorded, out):
    measure_all(recorded, CASE)
    first = let_go(recorded, out)
    (line,) = refused(recorded, out)
    assert f"is released already (entry {first.event.seq}, by kim)" in line
    rod, _ = place(recorded, 1, "left")
    (reading,) = recorded.ledger.readings(rod.identifier)
    record_reading(recorded, rod, "0.02", corrects=reading.stamp.seq)
    second = let_go(recorded, out)
    assert second.event.seq > first.event.seq
    assert len(files(out)) == 2  # each release keeps the certificate of its own


def test_withheld_and_released_again(recorded, out):
    measure_all(recorded, CASE)
    let_go(recorded, out)
    done = withhold(recorded.ledger, CASE, None, "recalled", ("kim", WHEN))
    stored, event = done.stored, done.event
    assert (stored.name, event.body["note"]) == (FIRST, "recalled")
    assert {rod.state for rod in recorded.ledger.rods(CASE)} == {"withheld"}
    with pytest.raises(RefusedError, match="is withheld"):
        certified(recorded.ledger, CASE, None, None)
    (line,) = refused(recorded, out)
    assert line.startswith(
        f"the set {FIRST} is withheld (entry {event.seq}, by kim: recalled); say with --note"
    )
    done = let_go(recorded, out, note="measured again by lee, sound")
    assert done.event.body["note"] == "measured again by lee, sound"
    assert {rod.state for rod in recorded.ledger.rods(CASE)} == {"released"}
    with pytest.raises(InputError, match="no reason is given"):
        withhold(recorded.ledger, CASE, None, " ", ("kim", WHEN))


def _correct(recorded, rod):
    (reading,) = recorded.ledger.readings(rod.identifier)
    record_reading(recorded, rod, "0.02", corrects=reading.stamp.seq)


def _take_back(recorded, rod):
    (reading,) = recorded.ledger.readings(rod.identifier)
    seq = reading.stamp.seq
    recorded.ledger.record(Kind.CORRECTION, CASE, {"reason": "slip"}, "mo", WHEN, seq)


def _state(state):
    def change(recorded, rod):
        body = {"identifier": rod.identifier, "state": state, "reason": "seen later"}
        recorded.ledger.record(Kind.ROD_STATE, CASE, body, "anna", WHEN)

    return change


SINCE = {
    "corrected": (_correct, "have changed since"),
    "taken back": (_take_back, "have changed since"),
    "measured once more": (record_reading, "have changed since"),
    "rejected": (_state("rejected"), "was rejected since"),
    "delivered": (_state("delivered"), ""),
    "lost": (_state("lost"), ""),
}


@pytest.mark.parametrize("name", SINCE)
def test_what_ends_a_release(recorded, out, name):
    change, why = SINCE[name]
    measure_all(recorded, CASE)
    done = let_go(recorded, out)
    rod, _ = place(recorded, 2, "left")
    assert release_now(recorded.ledger, done.stored).stands
    change(recorded, rod)
    now = release_now(recorded.ledger, done.stored)
    assert now.stands is (not why)
    if why:
        (sentence,) = now.why_not
        assert why in sentence
        assert grouped(rod.identifier) in sentence
        with pytest.raises(RefusedError, match="is no longer valid"):
            certified(recorded.ledger, CASE, None, None)
        assert certified(recorded.ledger, CASE, None, done.event.seq)[1:] == (
            done.event, now.why_not,
        )


def test_a_replacement_ends_a_release(recorded, out):
    measure_all(recorded, CASE)
    done = let_go(recorded, out)
    rod, _ = place(recorded, 2, "left")
    again(out, recorded, rod.identifier)
    (sentence,) = release_now(recorded.ledger, done.stored).why_not
    assert sentence.startswith(f"the rod {grouped(rod.identifier)} (step 2, left) is rejected, and")


def test_each_set_of_a_case_is_released_by_itself(recorded, out):
    extra(out, recorded, 62.5)
    measure_all(recorded, CASE)  # the last one made: the rods in between
    done = let_go(recorded, out)
    assert done.stored.name == f"{CASE}-r2"
    _, *lines = refused(recorded, out, FIRST)
    assert len(lines) == 4
    assert [now.set_name for now in releases_of(recorded.ledger, CASE)] == [f"{CASE}-r2"]


def test_the_certificate_is_printed_again_with_the_same_bytes(recorded, out, tmp_path):
    measure_all(recorded, CASE)
    done = let_go(recorded, out)
    found = certified(recorded.ledger, CASE, None, None)
    stored, event, void = found
    assert (stored.name, event, void) == (FIRST, done.event, ())
    for _ in range(2):  # the same one stays, without what a killed run left beside it
        again = write_certificate(recorded.ledger, found, tmp_path)
        assert not list(tmp_path.glob(".*.pdf.*"))
        assert again.read_bytes() == done.certificate.read_bytes()
        assert again.parent == tmp_path
        for ending in ("unfinished", "lock"):
            again.with_name(f".{again.name}.{ending}").touch()
    (tmp_path / done.certificate.name).write_bytes(b"another")
    with pytest.raises(DeliveryError, match="there already"):
        write_certificate(recorded.ledger, found, tmp_path)
    for seq in (1, event.seq + 5):
        with pytest.raises(InputError, match=f"entry {seq} is not the release"):
            certified(recorded.ledger, CASE, None, seq)


def test_without_a_certificate_nothing_is_released(recorded, out, monkeypatch):
    measure_all(recorded, CASE)
    before = recorded.ledger.head(), files(out)
    for problem in (OSError(28, "No space left on device"), InputError("cannot be set")):
        def stop(*_, problem=problem):
            raise problem

        monkeypatch.setattr(release_module, "certificate_pdf", stop)
        with pytest.raises((DeliveryError, InputError)):
            let_go(recorded, out)
        assert (recorded.ledger.head(), files(out)) == before
        with pytest.raises((DeliveryError, InputError)):
            let_go(recorded, out / "begun")
        assert not (out / "begun").exists()


def test_a_named_folder_is_begun_for_the_certificate(recorded, out):
    measure_all(recorded, CASE)
    assert let_go(recorded, out / "new" / "folder").certificate.is_file()


def test_a_file_of_the_certificates_name_is_never_written_over(recorded, out):
    measure_all(recorded, CASE)
    taken = out / f"{FIRST}-certificate-{recorded.ledger.head().count + 1}.pdf"
    taken.write_bytes(b"mine")
    (line,) = refused(recorded, out)
    assert "is there already" in line
    assert taken.read_bytes() == b"mine"


def test_where_the_record_fails_no_certificate_stays(recorded, out, monkeypatch):
    measure_all(recorded, CASE)
    before = recorded.ledger.head()

    def full(*_, **__):
        raise LedgerError("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(type(recorded.ledger), "append", full)
        with pytest.raises(LedgerError):
            let_go(recorded, out)
    assert (recorded.ledger.head(), files(out)) == (before, [])


def test_a_certificate_that_cannot_be_named_is_printed_later(recorded, out, monkeypatch):
    """As after a kill between keeping the release and naming the file."""
    measure_all(recorded, CASE)

    def fail(*_):
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patched:
        patched.setattr(release_module, "put", fail)
        with pytest.raises(DeliveryError, match="`labkit certificate QF-1043` prints it"):
            let_go(recorded, out)
    assert files(out) == []
    found = certified(recorded.ledger, CASE, None, None)
    assert write_certificate(recorded.ledger, found, out).read_bytes().startswith(b"%PDF-")
