"""What a set's papers need at the chair and at home: which rods, and what warmth does to them."""

from __future__ import annotations

from dataclasses import replace

from labkit.catalog.profiles import profile_of
from labkit.catalog.texts import filled
from labkit.core.case.case_standing import PairNow, SetStanding
from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import RodState
from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import SpacerSet
from labkit.core.rod.rods import EXPANSION_PER_C
from labkit.documents.figures import MINUS, fixed, percent
from labkit.documents.inspection import lines_of
from labkit.documents.set_spec import Spec, graded_of, process_of
from labkit.documents.standing import StandingWords, percent_now, what_holds, words_on
from labkit.units import plain

#: A bench and a mouth, °C.
BENCH_C, MOUTH_C = 20, 37
#: The paper whose words these rows have.
CASE_SHEET = "case-sheet"
#: In place of a rod that is not there.
NONE = "–"

Row = dict[str, str]


def graded_now(spec: Spec) -> SpacerSet:
    """Give the graded set, with the start only where it is the start now."""
    graded, standing = graded_of(spec), what_holds(spec)
    if standing is None:
        return graded
    steps = tuple(
        replace(step, start=bool((now := standing.at_step(number)) and now.start))
        for number, step in enumerate(graded.steps, 1)
    )
    return replace(graded, steps=steps)


def start_now(spec: Spec) -> str:
    """Say which rods the wearer begins with, as prescribed."""
    words, standing = _words(spec), what_holds(spec)
    if standing is None:
        own = enumerate(graded_of(spec).steps, 1)
        return next(
            (filled(words["start_named"], step=number, percent=percent(step.percent))
             for number, step in own if step.start), words["start_none"]
        )
    asked, pair = standing.case.asked_start, standing.case.start
    if asked is None:
        return words["start_none"]
    if pair is None:
        return filled(words["start_nobody"], percent=percent(asked))
    if standing.series:
        place = words_on(spec, CASE_SHEET).place(pair, True)
        return filled(words["start_pair"], percent=percent(asked), pair=place)
    return filled(words["start_named"], percent=percent(asked), step=pair.step)


def rods_at_hand(spec: Spec) -> list[Row]:
    """List the pairs of rods that are there, a row for each, with what it makes and its marks.

    Returns:
        Where the record is known, every pair of the case in circulation, by what it makes now:
        a rod that took another's place stands there instead of it, and an empty place is a dash.
        Else the set's own rods, as they were made.
    """
    if standing := what_holds(spec):
        place = _words(spec)["series_place" if standing.series else "step_place"]
        words = words_on(spec, CASE_SHEET)
        return [_row_now(standing, pair, place, words) for pair in standing.case.in_circulation]
    return _rows_as_made(spec)


def _row_now(standing: SetStanding, pair: PairNow, place: str, words: StandingWords) -> Row:
    row = {
        "step": str(pair.step) if not standing.series else "",
        "place": filled(place, revision=pair.set_number, step=pair.step),
        "percent": percent_now(pair) or NONE,
        "mark": words.mark(pair),
        "words": words.beside(pair),
        **_empty(),
    }
    for side, rod in pair.rods.items():
        row |= {side.value: standing.engraved(rod), f"{side}_id": grouped(rod.identifier)}
    return row


def _rows_as_made(spec: Spec) -> list[Row]:
    steps, place, rows = graded_of(spec).steps, _words(spec)["step_place"], dict[int, Row]()
    for line in lines_of(spec):
        row = rows.setdefault(line.step, {
            "step": str(line.step),
            "place": filled(place, step=line.step),
            "percent": fixed(steps[line.step - 1].made.percent, 1),
            "mark": "",
            "words": "",
            **_empty(),
        })
        row |= {line.side: line.engraved, f"{line.side}_id": grouped(line.identifier)}
    return list(rows.values())


def _empty() -> Row:
    return {name: NONE for side in Side for name in (side.value, f"{side}_id")}


def rods_to_wear(spec: Spec) -> list[Row]:
    """List the whole pairs that may be worn, as `rods_at_hand`."""
    return [
        row for row in rods_at_hand(spec)
        if not row["mark"] and NONE not in (row["left"], row["right"])
    ]


def to_be_tried(spec: Spec) -> Row:
    """Name the rods of the trial fit: the whole pair to be worn that makes nearly 100 %.

    Returns:
        Percent, place and both rods; empty texts where no pair may be tried.
    """
    withheld = _withheld(spec)
    usable = [
        row for row in rods_to_wear(spec)
        if row["percent"] != NONE and not withheld & {row["left_id"], row["right_id"]}
    ]
    if not usable:
        return dict.fromkeys(("percent", "place", "left", "right"), "")
    last = min(usable, key=lambda row: abs(float(row["percent"].replace(MINUS, "-")) - 100))
    tried = {name: last[name] for name in ("percent", "place", "left", "right")}
    within = "100" if last["words"] else last["percent"].removesuffix(".0")
    return tried | {"percent": within}


def _withheld(spec: Spec) -> set[str]:
    """Name the rods that the laboratory does not release."""
    if (standing := what_holds(spec)) is None:
        return set()
    return {
        grouped(rod.identifier) for pair in standing.case.in_circulation
        for rod in pair.rods.values() if rod.state is RodState.WITHHELD
    }


def warmth(spec: Spec) -> Row:
    """Work out how much longer a rod is in the mouth than on the bench.

    Formula: ΔL = α · L · (37 °C − 20 °C).

    Returns:
        Length, growth and tolerance of the rod whose tolerance this takes up most of, and the
        expansion per °C, as texts; whether the expansion is other than the common one.

    Source: thermal expansion, any handbook of physics.
    """
    expansion = process_of(spec).expansion_per_c
    most = max(lines_of(spec), key=lambda line: line.length_mm / line.tolerance_mm)
    growth = float(most.length_mm) * expansion * (MOUTH_C - BENCH_C)
    return {
        "length": most.label,
        "growth": fixed(growth, 2),
        "expansion": f"{expansion * 1e6:.0f}",
        "tolerance": plain(most.tolerance_mm),
        "own": "yes" if expansion != EXPANSION_PER_C else "",
    }


def _words(spec: Spec) -> dict[str, str]:
    table = profile_of(spec).texts.of(CASE_SHEET).tables["case_sheet"]
    return {name: words for name, words in table.items() if isinstance(words, str)}
