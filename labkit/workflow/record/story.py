"""The story of a case in plain words: what each event of the record tells."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from labkit.core.case.identifier import grouped
from labkit.core.grading.steps import percent_name
from labkit.ledger.bodies import (
    Correction,
    Order,
    OrderLine,
    PapersPrinted,
    Prescription,
    Reading,
    RodState,
    SetStarted,
    TrialFit,
    Tried,
    UseAsIs,
    said,
)
from labkit.ledger.build_bodies import Build, BuildFailed
from labkit.ledger.events import Event, Kind
from labkit.ledger.stored import LOOKED_AT, StoredReading
from labkit.qa.percent import percent_told
from labkit.units import counted, millimetres, plain
from labkit.workflow.rods.accepted import words_of

#: Purpose of a set → what it is called.
_SETS = {"extra": "extra rods", "replacement": "replacements,"}
#: Reason recorded with the revision that a withdrawn trial fit leaves.
TRIAL_WITHDRAWN = "trial fit withdrawn"


def told(event: Event) -> str:
    """Tell an event in one sentence.

    Returns:
        The sentence; free text that was recorded with the event stands at its end.
    """
    plain_words, body = _PLAIN.get(event.kind), event.body
    sentence = plain_words.format(**body) if plain_words else _WORDS[event.kind](event)
    added = body.get("note") or (body.get("reason") if event.kind is Kind.ROD_STATE else None)
    return f"{sentence} ({added})" if added else sentence


def moment(at: str) -> str:
    """Write a moment for people, to the second.

    >>> moment("2031-03-14T09:26:53.589793Z")
    '2031-03-14 09:26:53 UTC'
    """
    return f"{at[:10]} {at[11:19]} UTC"


def mm_of(um: int) -> str:
    """Write whole micrometres as mm.

    >>> mm_of(31_700), mm_of(-50)
    ('31.7', '-0.05')
    """
    return plain(um / 1000)


def _percent(text: str | None) -> str:
    """Write a percentage as stored for people; what is no number stays as it is."""
    try:
        return percent_name(float(text)) if text else ""
    except ValueError:
        return f"{text} %"


def _prescription(event: Event) -> str:
    body = said(event, Prescription)
    why = f": {body.reason}" if body.reason else ""
    if body.trial and body.reason == TRIAL_WITHDRAWN:
        why = f" without the trial fit of entry {body.trial}"
    elif body.trial:
        why = f" after the trial fit of entry {body.trial}"
    return f"prescription revision {body.revision} recorded{why}"


def _started(event: Event) -> str:
    body = said(event, SetStarted)
    rods = body.rods
    count = "1 rod" if len(rods) == 1 else f"{len(rods)} rods"
    what = _SETS.get(body.purpose, "set")
    return (
        f"{what} {body.set} begun: {count} from prescription revision {body.revision}, "
        f"template {body.template['name']}, process {body.process['name']}"
    )


def _order(event: Event) -> str:
    body = said(event, Order)
    lines = ", ".join(
        f"{line.label} {line.side}{_in_place(line)} (asked: {line.asked})" for line in body.lines
    )
    return f"ordered: {lines}"


def _in_place(line: OrderLine) -> str:
    return f" to replace {grouped(line.replaces)}" if line.replaces else ""


def _trial(event: Event) -> str:
    body = said(event, TrialFit)
    sides = f"{_tried('left', body.left)} and {_tried('right', body.right)}"
    on = f" of {body.on}" if body.on else ""
    return f"trial fit{on} on prescription revision {body.revision}: {sides}"


#: What is seen of a rod at a trial fit → words.
_SEEN = {
    "meets": "met its seat",
    "too_long": "was too long by {} mm",
    "too_short": "was too short by {} mm",
}


def _tried(side: str, seen: Tried) -> str:
    """Tell what one side of a trial fit has shown.

    >>> _tried("left", Tried(gap_um=-750))
    'the left 100 % rod fell short of its seat by 0.75 mm'
    """
    gap = seen.gap_um
    if seen.label:
        by = mm_of(seen.by_um) if seen.by_um else ""
        what = _SEEN[seen.seen or "meets"].format(by)
        return f"the {side} rod {seen.label} {what}"
    if gap is None:
        return f"nothing is said of the {side} side"
    if gap == 0:
        return f"the {side} 100 % rod met its seat"
    how = "reached past its seat" if gap > 0 else "fell short of its seat"
    return f"the {side} 100 % rod {how} by {mm_of(abs(gap))} mm"


def _reading(event: Event) -> str:
    body = said(event, Reading)
    what = "looked at" if body.quantity == LOOKED_AT else "measured"
    return f"rod {grouped(body.identifier)} {what}: {reading_told(body)}"


def reading_told(body: Reading | StoredReading) -> str:
    """Tell a reading: what was measured with what, and, where kept, what that proves.

    Returns:
        Words without the rod's name.

    >>> reading_told(Reading("4829173065", "length", 30_210, "K-7"))
    'length 30.210 mm, gauge K-7'
    >>> proof = {"result": "does not conform", "probability": 0.9999, "fittings": "no"}
    >>> made = {"length_mm": 30.3, "nominal_mm": "30.3", "tolerance_mm": "0.15"}
    >>> reading_told(Reading("4829173065", "over", 32_788, "usual gauge of the process",
    ...                      details=made | proof)).partition("; ")[2]
    'length 30.300 mm, within 30.3 ± 0.15 by > 99.9 %; fittings not good: does not conform'
    """
    uncertain, details = body.uncertainty_nm, body.details or {}
    if body.quantity == LOOKED_AT:
        return "; ".join(_seen(details)) or "nothing said"
    gauge = body.gauge
    with_what = f" with the {gauge}" if gauge.startswith("usual gauge") else f", gauge {gauge}"
    words = f"{body.quantity} {millimetres(body.value_um / 1000, 3)} mm{with_what}"
    if uncertain is not None:
        words += f", standard uncertainty {millimetres(uncertain / 1e6, 4)} mm"
    if "length_mm" not in details:
        return words
    told = f"; length {details['length_mm']:.3f} mm" + _asked(details)
    told += "".join(f"; {seen}" for seen in _seen(details))
    return words + told + (f": {details['result']}" if details.get("result") else "")


def _seen(details: Mapping[str, Any]) -> Iterator[str]:
    """Tell what was seen on a rod beside its length."""
    if details.get("label_read"):
        yield f"label read {details['label_read']}"
    if details.get("fittings"):
        yield f"fittings {'good' if details['fittings'] == 'yes' else 'not good'}"
    if details.get("look") is not None:
        yield f"not {' and not '.join(details['look'])}" if details["look"] else "look ok"
    if details.get("verdict"):
        yield f"by whoever inspected it: {details['verdict']}"


def _asked(details: Mapping[str, Any]) -> str:
    """Tell what length was asked for, and how likely it is met: that is not the rod's result."""
    nominal, tolerance = details.get("nominal_mm"), details.get("tolerance_mm")
    if not (nominal and tolerance):
        return ""
    p = details.get("probability")
    return f" for {nominal} ± {tolerance}" if p is None else (
        f", within {nominal} ± {tolerance} by {percent_told(p)}"
    )


def _rod_state(event: Event) -> str:
    body = said(event, RodState)
    cause = f", cause: {body.cause}" if body.cause else ""
    return f"rod {grouped(body.identifier)} {body.state}{cause}"


def _printed(event: Event) -> str:
    body = said(event, PapersPrinted)
    what = f"papers of {body.set} printed again" if body.paper is None else "case sheet printed"
    return f"{what}, true as of entry {body.entry}"


def _as_is(event: Event) -> str:
    body = said(event, UseAsIs)
    faults = "; ".join(map(words_of, body.basis.faults))
    return (
        f"rod {grouped(body.identifier)} is used as is: {faults}; because {body.reason}; "
        f"the prescriber's word: {body.prescriber}"
    )


def _build(event: Event) -> str:
    body = said(event, Build)
    rods = len({piece.identifier for piece in body.pieces})
    spares = len([piece for piece in body.pieces if piece.spare])
    with_spares = f" and {counted(spares, 'spare')}" if spares else ""
    beds = sorted({piece.bed for piece in body.pieces})
    where = f"bed{'s' if len(beds) > 1 else ''} {', '.join(map(str, beds))}"
    return (
        f"{counted(rods, 'rod')}{with_spares} laid out in build {body.build}, {where}, process "
        f"{body.process}"
    )


def _build_failed(event: Event) -> str:
    body = said(event, BuildFailed)
    return f"build {body.build} failed for {counted(len(body.rods), 'rod')}: {body.reason}"


def _correction(event: Event) -> str:
    return f"entry {event.corrects} taken back: {said(event, Correction).reason}"


#: Kinds of which a sentence with the body's own fields tells everything.
_PLAIN = {
    Kind.CASE_OPENED: "case opened",
    Kind.SET_MADE: "set {set} made, in {folder}",
    Kind.SET_ABANDONED: "set {set} abandoned: {reason}",
    Kind.TRIAL_ACCEPTED:
        "trial fit of entry {trial} accepted; prescription revision {revision} holds",
    Kind.RELEASE: "set {set} {decision}",
    Kind.ORDER_WITHDRAWN: "order of entry {order} taken back: {reason}",
    Kind.TRIAL_WITHDRAWN:
        "trial fit of entry {trial} withdrawn: {reason}; prescription revision {revision} holds",
}
_WORDS: Mapping[Kind, Callable[[Event], str]] = {
    Kind.PRESCRIPTION: _prescription,
    Kind.SET_STARTED: _started,
    Kind.ORDER: _order,
    Kind.TRIAL_FIT: _trial,
    Kind.READING: _reading,
    Kind.ROD_STATE: _rod_state,
    Kind.USE_AS_IS: _as_is,
    Kind.BUILD: _build,
    Kind.BUILD_FAILED: _build_failed,
    Kind.PAPERS_PRINTED: _printed,
    Kind.CORRECTION: _correction,
}
