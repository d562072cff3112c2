"""What a release does not hide: void ones, readings set aside, a prescription revised since."""

from __future__ import annotations

import pytest

from labkit.core.case.identifier import grouped
from labkit.ledger.build_bodies import Build, BuildFailed, Piece
from labkit.ledger.events import Kind
from labkit.workflow.inspection.certificate import certificate_pdf, certified, write_certificate
from labkit.workflow.inspection.inspect import inspect
from labkit.workflow.inspection.inspect_report import inspection_report
from labkit.workflow.inspection.release import withhold
from tests.documents.pdfs import squeezed, text_of
from tests.support.making import CASE, START, rod_at
from tests.support.measured import measure_all, record_reading
from tests.support.prescriptions import changed
from tests.workflow.test_release import FIRST, WHEN, let_go
from tests.workflow.test_replace import TWO


def _withhold(recorded, out):
    event = withhold(recorded.ledger, CASE, None, "recalled", ("kim", WHEN)).event
    return f"the set was withheld since, as entry {event.seq}"


def _release_anew(recorded, out):
    _withhold(recorded, out)
    again = let_go(recorded, out, note="sound").event
    return f"the set was released again, as entry {again.seq}"


def _take_back(recorded, out):
    seq = certified(recorded.ledger, CASE, None, None)[1].seq
    body = {"reason": "wrong set"}
    event = recorded.ledger.record(Kind.CORRECTION, CASE, body, "kim", WHEN, seq)
    return f"entry {event.seq} has taken it back"


@pytest.mark.parametrize("change", [_withhold, _release_anew, _take_back])
def test_a_release_that_does_not_stand_is_printed_void(recorded, out, change):
    measure_all(recorded, CASE)
    done = let_go(recorded, out)
    why = change(recorded, out)
    found = certified(recorded.ledger, CASE, None, done.event.seq)
    assert found == (done.stored, done.event, (why,))
    path = write_certificate(recorded.ledger, found, out)
    assert path.name == f"{FIRST}-certificate-{done.event.seq}-void.pdf"
    assert squeezed(f"Void. The release is no longer valid: {why}.") in squeezed(
        text_of(path.read_bytes())
    )
    assert "Void" not in text_of(done.certificate.read_bytes())


def test_a_void_release_names_the_rods_that_changed_and_no_others(recorded, out):
    measure_all(recorded, CASE)
    done = let_go(recorded, out)
    rods = [rod_at(recorded, FIRST, step, "left") for step in (1, 2)]
    for rod in rods:
        record_reading(recorded, rod, "0.011")
    first, second = (grouped(rod.identifier) for rod in rods)
    assert certified(recorded.ledger, CASE, None, done.event.seq)[2] == (
        f"the readings of the rods {first} (step 1, left), {second} (step 2, left) have changed "
        "since",
    )


def test_a_rod_measured_until_it_fits_is_seen(recorded, out):
    """A rod that did not conform, then did: the certificate has both lengths, and why."""
    rod = rod_at(recorded, FIRST, 1, "left")
    bad = record_reading(recorded, rod, "0.30", result="does not conform")
    good = record_reading(recorded, rod, "0.01", corrects=bad.seq)
    measure_all(recorded, CASE)
    answers = dict.fromkeys((bad.seq, good.seq), "the pin had not gone in")
    done = let_go(recorded, out, answers=answers)
    rods = done.event.body["basis"]["rods"]
    assert [each["set_aside"] for each in rods[1:]] == [[], [], []]
    (aside,) = rods[0]["set_aside"]
    assert aside["event"] == bad.seq
    assert aside["length_mm"] == pytest.approx(36.2)
    assert (aside["result"], aside["reason"], aside["by"]) == (
        "does not conform", "measured again", "mo",
    )
    text = squeezed(text_of(certificate_pdf(recorded.ledger, done.stored, done.event)))
    row = "step 1, left 36.200 does not conform mo, 2031-03-14 09:00:00 UTC measured again"
    assert squeezed("Readings set aside") in text
    assert squeezed(row) in text


@pytest.mark.parametrize(("protruded", "above"), [("7.0", False), ("3.0", True)])
def test_a_prescription_revised_since_is_told(recorded, out, protruded, above):
    measure_all(recorded, CASE)
    body = {"revision": 2, "text": changed(TWO, ("protruded = 6.4", f"protruded = {protruded}"))}
    recorded.ledger.record(Kind.PRESCRIPTION, CASE, body, "anna", START)
    done = let_go(recorded, out)
    assert any(note.startswith("when this was decided, prescription revision 2 held; ")
               for note in done.notes)
    assert any("more than 100 %: not to be worn" in note for note in done.notes) is above
    assert list(done.notes) == done.event.body["basis"]["notes"]
    printed = squeezed(text_of(done.certificate.read_bytes()))
    assert squeezed("When this was decided, prescription revision 2 held") in printed


@pytest.mark.parametrize("built", ["never", "failed", "failed in part", "failed and again"])
def test_rods_whose_every_build_failed_are_told(recorded, out, built):
    """The set's own plate is no recorded build, so that this is a note."""
    rods = [rod_at(recorded, FIRST, step, side) for step in (1, 2) for side in ("left", "right")]
    reach = {"never": [], "failed": rods, "failed in part": rods[:1], "failed and again": rods}
    pieces = tuple(Piece(rod.identifier, 1, place) for place, rod in enumerate(rods, 1))

    def build(number):
        recorded.ledger.write(CASE, Build(number, "nominal", "0" * 64, "/b", "0" * 64, pieces),
                              "anna", START)

    if failed := tuple(rod.identifier for rod in reach[built]):
        build(1)
        recorded.ledger.write(CASE, BuildFailed(1, "fell off", failed), "anna", START)
    if built == "failed and again":
        build(2)
    assert inspect(recorded.ledger, CASE, None, (), {}).only_failed == ()
    measure_all(recorded, CASE)
    found = inspect(recorded.ledger, CASE, None, (), {})
    names = [
        f"{grouped(rod.identifier)} ({rod.label}, step {rod.step}, {rod.side})" for rod in rods
    ]
    expected = {
        "failed": f"{', '.join(names)}: the record says that build 1 failed to give them, and "
        "nobody recorded another build of them; make sure where they come from, such as the plate "
        "of the set",
        "failed in part": f"{names[0]}: the record says that build 1 failed to give it, and nobody "
        "recorded another build of it; make sure where it comes from, such as the plate of the set",
    }.get(built)
    told = [expected] if expected else []
    assert [finding.message for finding in found.only_failed] == told
    assert ("the record says that build" in inspection_report(found, (), {}, None).words) == (
        expected is not None
    )
    done = let_go(recorded, out)
    assert [note for note in done.notes if "the record says that build" in note] == told
