"""Looking things up in the record: all cases, the story of one, a rod by its identifier."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from labkit.core.case.case_standing import CaseStanding, PairNow
from labkit.core.case.identifier import (
    LEDGER_DIGITS,
    LENGTHS,
    NO_LEDGER,
    check_digit,
    grouped,
    ledger_number,
    parse_identifier,
)
from labkit.core.case.rod_life import IN_CIRCULATION, OUT_OF_HOUSE
from labkit.core.findings import Finding
from labkit.errors import InputError, LabkitError
from labkit.ledger.bodies import RodState, said
from labkit.ledger.builds import StoredBuild, builds_of
from labkit.ledger.events import Event, Kind
from labkit.ledger.identity import identity_of
from labkit.ledger.queries import Reader
from labkit.ledger.rods import count_by_case, replacement_of
from labkit.ledger.stored import (
    CaseSummary,
    SetState,
    Stamp,
    StoredPrescription,
    StoredReading,
    StoredRod,
    StoredSet,
)
from labkit.workflow.inspection.release_state import ReleaseNow, releases_of
from labkit.workflow.record.case_mark import case_mark_notes, case_mark_of, case_marks
from labkit.workflow.record.standing import asked_back_of, standing_of_case
from labkit.workflow.record.worked_out import Question, answered

#: As many rods or cases are named as possibly meant.
MOST_NEAR = 3
#: Dashes that an editor or a keyboard puts in place of a hyphen.
_DASHES = str.maketrans(dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2212", "-"))


@dataclass(frozen=True)
class CaseLine:
    """One case in the list of all.

    Args:
        rods_out: Rods in circulation, without those that are only reserved.
        rods_away: Of them, those with clinic or wearer.
        asked_back: Of those out of the house, how many are not to be worn; None where that cannot
            be worked out.
        case_mark: Of its newest prescription; None without one.
    """

    summary: CaseSummary
    rods_out: int
    rods_away: int
    asked_back: int | None
    case_mark: str | None


@dataclass(frozen=True)
class RodNow:
    """A rod and what it means now.

    Args:
        now: Its setting and what that makes now; None where it is not in circulation, or where
            that cannot be worked out.
    """

    rod: StoredRod
    now: PairNow | None


@dataclass(frozen=True)
class CaseStory:
    """All that the ledger holds of a case.

    Args:
        prescriptions: Its revisions, the first one first.
        sets: Its sets in the order in which they were begun.
        rods: Its rods, also those that are not out.
        events: Its events in time order.
        releases: How its sets stand that were released or withheld.
        standing: What holds now; None where nothing was made or that cannot be worked out.
        problem: Why it is unknown what the rods mean now; empty where it is known.
        case_mark: Of the newest prescription; empty for none.
        mark_notes: What keeps it from telling two cases apart.
    """

    case: str
    prescriptions: tuple[StoredPrescription, ...]
    sets: tuple[StoredSet, ...]
    rods: tuple[RodNow, ...]
    events: tuple[Event, ...]
    corrected: dict[int, int]
    releases: tuple[ReleaseNow, ...]
    standing: CaseStanding | None
    problem: str
    case_mark: str
    mark_notes: tuple[Finding, ...]


@dataclass(frozen=True)
class FoundRod:
    """A rod by its identifier.

    Args:
        made: When and by whom the set was made; None unless it was.
        told: What a person recorded as its last state; None where its set's state is its own.
        readings: Its measurements that nothing has corrected.
        replaces, replaced_by: The rod whose place it takes, and the one that takes its own; None
            where there is none.
        release: How the set stands whose place it fills; None where it was never decided on.
        builds: Those that it lay in, in time order.
        problem: Why it is unknown what the rod means now; empty where it is known.
    """

    rod: RodNow
    of_set: StoredSet
    made: Stamp | None
    told: RodState | None
    readings: tuple[StoredReading, ...]
    replaces: StoredRod | None
    replaced_by: StoredRod | None
    release: ReleaseNow | None
    builds: tuple[StoredBuild, ...]
    problem: str


def need_case(reader: Reader, case: str) -> None:
    """Make sure that the ledger knows a case.

    Args:
        case: Case number as typed.

    Raises:
        InputError: It does not; the sentence names the nearest cases.
    """
    if reader.has_case(case):
        return
    known = [summary.case for summary in reader.cases()]
    near = _near_cases(case, known)
    if near:
        hint = f"did you mean {' or '.join(near)}?"
    elif known:
        hint = "`labkit cases` lists those that it has"
    else:
        hint = "it has none yet; `labkit make` with an operator code records the first"
    raise InputError(
        f"the ledger {reader.place} has no case {case!r}; {hint}", field="case", value=case
    )


def _near_cases(case: str, known: list[str]) -> list[str]:
    """Give the cases most like a text, capitals or not."""
    folded: dict[str, list[str]] = {}
    for each in known:
        folded.setdefault(each.casefold(), []).append(each)
    near = difflib.get_close_matches(case.casefold(), folded, n=MOST_NEAR, cutoff=0.75)
    return [each for name in near for each in folded[name]][:MOST_NEAR]


def all_cases(reader: Reader) -> tuple[CaseLine, ...]:
    """List every case of a ledger, the one opened first at the top."""
    with reader.snapshot():
        out, away = reader.ask(partial(count_by_case, (IN_CIRCULATION, OUT_OF_HOUSE)))
        cases = reader.cases()
        marks = case_marks(reader, cases)
    asked = dict(answered(reader, [each for each in cases if away[each.case]], _ASKED_BACK))
    return tuple(
        CaseLine(
            each, out[each.case], away[each.case], asked.get(each.case, 0), marks.get(each.case)
        )
        for each in cases
    )


def _count_asked_back(reader: Reader, case: str) -> int:
    return len(asked_back_of(reader, case))


#: Rods asked back of a case; None where that cannot be worked out.
_ASKED_BACK = Question(
    "rods asked back", _count_asked_back, lambda _reader, _case, _error: None, [Kind.USE_AS_IS]
)


def case_story(reader: Reader, case: str) -> CaseStory:
    """Tell the whole story of a case.

    Raises:
        InputError: The ledger does not know the case.
    """
    with reader.snapshot():
        need_case(reader, case)
        standing, problem = _standing(reader, case)
        prescriptions = reader.prescriptions(case)
        mark = case_mark_of(prescriptions[-1]) if prescriptions else ""
        return CaseStory(
            case=case,
            prescriptions=prescriptions,
            sets=reader.sets(case),
            rods=tuple(_now(rod, standing) for rod in reader.rods(case)),
            events=reader.story(case),
            corrected=reader.corrected(case),
            releases=releases_of(reader, case),
            standing=standing,
            problem=problem,
            case_mark=mark,
            mark_notes=case_mark_notes(reader, case, mark),
        )


def find_rod(reader: Reader, text: str) -> FoundRod:
    """Find a rod by its identifier, with what it means now.

    Raises:
        InputError: As `stored_rod`.
    """
    with reader.snapshot():
        return _found(reader, stored_rod(reader, text))


def stored_rod(reader: Reader, text: str) -> StoredRod:
    """Find a rod by its identifier, as the record has it.

    Args:
        text: Identifier as typed or scanned: spaces, hyphens and line ends do not matter.

    Raises:
        InputError: It is no identifier, or no rod bears it; rods whose identifier is one slip
            away are named.
    """
    typed = "".join(text.translate(_DASHES).split())
    with reader.snapshot():
        try:
            digits = parse_identifier(typed)
        except InputError as error:
            raise InputError(
                f"{error.message}{_near(reader, typed)}", field="identifier", value=text
            ) from error
        rod = reader.find(digits)
        if rod is None:
            raise InputError(
                f"no rod in the ledger {reader.place} bears the identifier {grouped(digits)}"
                f"{_foreign(reader, digits)}{_near(reader, digits)}",
                field="identifier",
                value=text,
            )
        return rod


def _found(reader: Reader, rod: StoredRod) -> FoundRod:
    of_set = reader.set_named(rod.set_name)
    assert of_set is not None  # the rod is in it
    standing, problem = _standing(reader, rod.case)
    return FoundRod(
        rod=_now(rod, standing),
        of_set=of_set,
        made=of_set.ended if of_set.state is SetState.MADE else None,
        told=_told(reader, rod),
        readings=reader.readings(rod.identifier),
        replaces=reader.find(rod.replaces) if rod.replaces else None,
        replaced_by=replacement_of(reader.rods(rod.case), rod.identifier),
        release=next(
            (each for each in releases_of(reader, rod.case) if each.set_name == rod.first_set),
            None,
        ),
        builds=tuple(
            one for one in builds_of(reader, rod.case) if one.pieces_of(rod.identifier)
        ),
        problem=problem,
    )


def _told(reader: Reader, rod: StoredRod) -> RodState | None:
    told = (event for event in reader.current(rod.case, Kind.ROD_STATE)
            if event.seq == rod.state_since.seq)
    return next((said(event, RodState) for event in told), None)


def _standing(reader: Reader, case: str) -> tuple[CaseStanding | None, str]:
    """Work out what the rods mean; a case whose text cannot be read is still shown."""
    if not reader.sets(case):
        return None, ""
    try:
        return standing_of_case(reader, case), ""
    except LabkitError as error:
        return None, "; ".join(str(error).splitlines())


def _now(rod: StoredRod, standing: CaseStanding | None) -> RodNow:
    return RodNow(rod, standing.of_rod(rod.identifier) if standing else None)


def _foreign(reader: Reader, digits: str) -> str:
    """Say that an identifier is of another ledger, or of none."""
    own, number = ledger_number(identity_of(reader)), digits[:LEDGER_DIGITS]
    if len(digits) == min(LENGTHS) or number == own:
        return ""
    whose = "is of a set that was not recorded" if number == ledger_number(NO_LEDGER) else (
        f"is of ledger {number}, and this is ledger {own}"
    )
    return f"; by its first four digits it {whose}"


def _near(reader: Reader, typed: str) -> str:
    """Name the rods whose identifier is one slip of the finger away."""
    digits = typed.replace("-", "")
    if not digits.isascii() or not digits.isdigit():
        return ""
    meant = sorted(reader.used_among(_slips(digits)))
    if not meant:
        return ""
    named = " or ".join(grouped(each) for each in meant[:MOST_NEAR])
    return f"; did you mean {named}? Read the rod's papers again before you trust that"


def _slips(digits: str) -> Iterator[str]:
    """Give the identifiers one digit changed, swapped, left out or added away from a text."""
    for changed in _changed(digits):
        if len(changed) in LENGTHS and check_digit(changed[:-1]) == changed[-1]:
            yield changed


def _changed(digits: str) -> Iterator[str]:
    length = len(digits)
    if all(abs(length - whole) > 1 for whole in LENGTHS):
        return
    for at in range(length + 1):
        before, after = digits[:at], digits[at:]
        for digit in "0123456789":
            yield before + digit + after
            yield before + digit + after[1:]
        yield before + after[1:]
        yield before + after[1:2] + after[:1] + after[2:]
