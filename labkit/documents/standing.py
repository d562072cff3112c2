"""What a paper says of what holds now: for which entry, and what is not to be worn."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from labkit.catalog.profiles import Profile, profile_of
from labkit.core.case.case_standing import PairNow, SetStanding
from labkit.core.case.holding import not_holding
from labkit.core.case.identifier import grouped
from labkit.core.case.standing import NotKnown
from labkit.core.grading.prescription import Side
from labkit.documents.figures import fixed, sentence
from labkit.documents.set_spec import SetUse

#: Where the content of a set has what holds now of it, put there for its papers alone: the file
#: spacer-set.json never has it.
STANDING = "standing"
NOT_TO_BE_WORN = "NOT TO BE WORN"
WITHIN_ROUNDING = "100 % within rounding"
#: At the row of a pair of which no rod is in circulation any more.
NOT_OUT = "not in circulation any more"


def standing_facts(spec: Mapping[str, Any]) -> dict[str, Any] | None:
    """Give what every paper of a set says on top; None where no record was kept or asked.

    Args:
        spec: Content of spacer-set.json, with its standing where it has one.

    Returns:
        For which entry and day it is true, a sentence where something changed, lines on what is
        not to be worn and the same in short, places that are empty, and whether the set's own
        percentages are known not to hold any more.
    """
    standing = spec.get(STANDING)
    if standing is None:
        return None
    return {
        "as_of": as_of(spec),
        "known": isinstance(standing, SetStanding),
        "changed": own_changed(spec),
        "series_now": isinstance(standing, SetStanding) and bool(standing.changed),
        "statement": statement(spec, standing),
        "lines": not_worn(spec),
        "gone": gone(spec),
        "not_worn": NOT_TO_BE_WORN,
        "short": ", ".join(_place(pair, _several(spec)) for pair in _struck(spec)),
        "as_prescribed": f"As prescribed on {spec['date']}; it does not hold any more.",
        "now": "now",
        "now_note": "Percent now: of the range that holds now.",
    }


def for_the_wearer(spec: Mapping[str, Any]) -> dict[str, Any] | None:
    """Give what the wearer's page says on top, in a wearer's words; as `standing_facts`."""
    facts, standing = standing_facts(spec), spec.get(STANDING)
    if facts is None:
        return None
    texts = profile_of(spec).texts.of("wearers-page")
    words = texts.tables["wearers_page"]
    facts |= {"language": texts.language, "statement": "", "lines": [], "gone": []}
    if not isinstance(standing, SetStanding):
        return facts | {"statement": words["not_known"]}
    return facts | {"lines": [_for_the_wearer(standing, pair, words) for pair in standing.struck]}


def _for_the_wearer(standing: SetStanding, pair: PairNow, words: Mapping[str, Any]) -> str:
    values = {side.value: "–" for side in Side}
    values |= {side.value: standing.engraved(rod) for side, rod in pair.rods.items()}
    values["bags"] = ", ".join(grouped(rod.identifier) for rod in pair.rods.values())
    sentence = str(words["not_worn"])
    for name, value in values.items():
        sentence = sentence.replace(f"{{{name}}}", value)
    return sentence


def standing_sentences(spec: Mapping[str, Any]) -> tuple[str, ...]:
    """Give what a set's papers say on top and a run says at its end; nothing where all holds."""
    standing = spec.get(STANDING)
    if standing is None:
        return ()
    said = statement(spec, standing)
    return (*((said,) if said else ()), *not_worn(spec))


def as_of(spec: Mapping[str, Any]) -> str:
    """Say for which entry of the record and which day a paper is true; "" where nobody knows."""
    standing = spec.get(STANDING)
    return f"{standing.true_as_of}." if isinstance(standing, SetStanding) else ""


def must_say(spec: Mapping[str, Any]) -> bool:
    """Tell whether a set's papers are known to mislead without what holds now."""
    standing = spec.get(STANDING)
    return isinstance(standing, SetStanding) and bool(standing.changed or standing.struck)


def profile_on_paper(spec: Mapping[str, Any]) -> Profile:
    """Give the profile that a set's papers are laid out by.

    Returns:
        The lab's; where something else is known to hold now, without its own templates, which may
        know nothing of the marks.
    """
    profile = profile_of(spec)
    return replace(profile, documents=MappingProxyType({})) if must_say(spec) else profile


def statement(spec: Mapping[str, Any], standing: SetStanding | NotKnown) -> str:
    """Say what holds now, and since when; "" where all of it still holds."""
    if isinstance(standing, NotKnown):
        made_for = _mm(spec["lengths"]["range_mm"])
        return (
            f"{standing.why}. This paper tells the protrusive range as prescribed on "
            f"{spec['date']}, {made_for} mm; ask the laboratory whether that still holds."
        )
    if not standing.changed:
        return ""
    now, ranges = standing.case.now, {each.name: each.range_mm for each in standing.changed}
    entry = f"entry {now.entry} of the record, {now.date}, by {now.by}"
    sets = ", ".join(f"{_mm(mm)} mm that {name} was made for" for name, mm in ranges.items())
    if all(_mm(mm) == _mm(now.range_mm) for mm in ranges.values()):
        names = " and ".join(ranges)
        return (
            f"The readings, the jaw or the anchors that hold now ({entry}) are not those that "
            f"{names} was made for: percentages are other ones now. The protrusive range is still "
            f"{_mm(now.range_mm)} mm.{_own_hold(standing)}"
        )
    return (
        f"The protrusive range is {_mm(now.range_mm)} mm now ({entry}), not the {sets}: "
        f"the percentages given then for {' and '.join(ranges)} do not hold any more."
        f"{_own_hold(standing)}"
    )


def _own_hold(standing: SetStanding) -> str:
    """Say that the percentages of a paper's own set hold, where only another's do not."""
    if standing.own_changed:
        return ""
    return f" Those of set {standing.own} hold: it was made for the range that holds now."


def _mm(value: float) -> str:
    return fixed(value, 2)


def not_worn(spec: Mapping[str, Any]) -> list[str]:
    """Name each pair that is not to be worn, with its lengths and identifiers, a line each."""
    return [_not_worn(pair, _several(spec)) for pair in _struck(spec)]


def own_changed(spec: Mapping[str, Any]) -> bool:
    """Tell whether the percentages of the set's own steps are known not to hold any more."""
    standing = spec.get(STANDING)
    return isinstance(standing, SetStanding) and standing.own_changed


def _struck(spec: Mapping[str, Any]) -> tuple[PairNow, ...]:
    standing = spec.get(STANDING)
    return standing.struck if isinstance(standing, SetStanding) else ()


def _several(spec: Mapping[str, Any]) -> bool:
    """Tell whether a step's number alone does not say which one it is."""
    standing = spec.get(STANDING)
    return isinstance(standing, SetStanding) and bool(standing.series)


def _place(pair: PairNow, several: bool) -> str:
    """Name a setting: its step, and where there are several sets, set, percent and lengths."""
    return pair.name if several else f"step {pair.step}"


def _not_worn(pair: PairNow, several: bool) -> str:
    makes = pair.makes
    assert makes is not None  # only what is in circulation is struck
    rods = ", ".join(grouped(rod.identifier) for rod in pair.rods.values())
    if makes.percent is None:
        why = "cannot be read back on the readings that hold now"
    else:
        why = (
            ("" if several else f"makes {fixed(makes.percent, 1)} % of the range that holds now, ")
            + f"{fixed(makes.beyond_mm, 2)} mm beyond the maximum"
            + (" that holds now" if several else "")
        )
    return (
        f"{NOT_TO_BE_WORN}: {_labels(pair, several)}{_place(pair, several)} (rods {rods}): {why}. "
        "Take it out of use."
    )


def _labels(pair: PairNow, several: bool) -> str:
    """Name the labels of a setting, where its place does not."""
    labels = [f"{side} {rod.rod.rod.label}" for side, rod in pair.rods.items()]
    return "" if several else f"{' and '.join(labels)}, "


def within_rounding(spec: Mapping[str, Any]) -> list[str]:
    """Name each pair on a set's papers that makes the maximum within rounding, a line each."""
    standing = spec.get(STANDING)
    if not isinstance(standing, SetStanding):
        return []
    return [
        f"{WITHIN_ROUNDING}: {_place(pair, _several(spec))} makes "
        f"{fixed(pair.makes.percent, 1)} %, {fixed(pair.makes.beyond_mm, 2)} mm more than the "
        f"maximum; its own tolerance makes ±{fixed(pair.makes.tolerance_mm, 2)} mm."
        for pair in standing.series or standing.own_pairs
        if pair.within_rounding and pair.makes is not None and pair.makes.percent is not None
    ]  # fmt: skip


def not_held(spec: Mapping[str, Any]) -> list[str]:
    """Say of each pair in circulation why it does not hold the jaw now, a line each."""
    standing = spec.get(STANDING)
    if not isinstance(standing, SetStanding):
        return []
    return [
        f"{sentence(found.what).removesuffix('.')}: ask the laboratory before they are worn."
        for found in not_holding(standing.case)
    ]


def gone(spec: Mapping[str, Any]) -> list[str]:
    """Name each place of the set that is empty, or that another rod fills, a line each."""
    standing = spec.get(STANDING)
    if not isinstance(standing, SetStanding):
        return []
    several = _several(spec)
    empty = [
        f"Empty place: {_place(pair, several)}, {side}: the rod {rod.rod.rod.label} "
        f"({grouped(rod.identifier)}) is {rod.state}."
        for pair in standing.own_pairs for side, rod in pair.gone.items()
    ]  # fmt: skip
    anew = [
        f"{_place(pair, several).capitalize()}, {side}, holds {grouped(pair.rods[side].identifier)}"
        f" now, not {grouped(identifier)}."
        for pair in standing.own_pairs
        for side, identifier in _printed(spec, pair.step)
        if side in pair.rods and pair.rods[side].identifier != identifier
    ]  # fmt: skip
    return empty + anew


def _printed(spec: Mapping[str, Any], step: int) -> list[tuple[Side, str]]:
    """Give the rods that a set has for one of its steps."""
    uses = [use for part in spec["parts"] for use in part["uses"] if use["step"] == step]
    return [(Side(use["side"]), use["identifier"]) for use in uses]


def own_set(spec: Mapping[str, Any]) -> str:
    """Give the number of the set that a paper's steps are of; "" where no other can be meant."""
    standing = spec.get(STANDING)
    if not isinstance(standing, SetStanding):
        return ""
    return str(standing.own) if _several(spec) or standing.own != spec["revision"] else ""


def is_out(spec: Mapping[str, Any], identifier: str) -> bool:
    """Tell whether a rod is in circulation; true where nobody could be asked."""
    standing = spec.get(STANDING)
    if not isinstance(standing, SetStanding):
        return True
    return standing.case.of_rod(identifier) is not None


def trial_fit(spec: Mapping[str, Any]) -> str:
    """Say which rods are not to be used at the chair; empty where every pair may be worn."""
    return f"Never try or fit rods marked {NOT_TO_BE_WORN}." if _struck(spec) else ""


def at_step(spec: Mapping[str, Any], step: int) -> PairNow | None:
    """Give one of the set's own settings as it is now; None where nobody knows."""
    standing = spec.get(STANDING)
    return standing.at_step(step) if isinstance(standing, SetStanding) else None


def series_now(spec: Mapping[str, Any]) -> tuple[tuple[PairNow, bool], ...]:
    """Give every pair in circulation, where not all are the set's own, and whether it is new.

    New are those of the paper's own set, if none was made after it.
    """
    standing = spec.get(STANDING)
    if not isinstance(standing, SetStanding):
        return ()
    last = max((pair.set_number for pair in standing.series), default=0)
    return tuple((pair, pair.set_number == standing.own == last) for pair in standing.series)


def mark(pair: PairNow | None) -> str:
    """Give the words at the row of a pair; empty where it may be worn."""
    if pair is None:
        return ""
    return (NOT_TO_BE_WORN if pair.not_to_be_worn else "") if pair.rods else NOT_OUT


def words_beside(pair: PairNow | None) -> str:
    """Give the words at the row of a pair, also of an empty place; empty where all is well."""
    if pair is None or not pair.rods:
        return mark(pair)
    empty = [f"{side} rod {rod.state}" for side, rod in pair.gone.items()]
    return ", ".join(word for word in (pair.words, *empty) if word)


def percent_now(pair: PairNow | None) -> str:
    """Give the percent that a pair makes now; empty where that is not told."""
    percent = None if pair is None or pair.makes is None else pair.makes.percent
    return "" if percent is None else fixed(percent, 1)


def marked_places(spec: Mapping[str, Any], uses: Iterable[SetUse]) -> str:
    """Name the places of a part's pieces that are not to be worn; empty where there is none."""
    places = [f"step {use.step} {use.side}" for use in uses
              if mark(at_step(spec, use.step)) == NOT_TO_BE_WORN]  # fmt: skip
    return f"{NOT_TO_BE_WORN}: {', '.join(places)}" if places else ""
