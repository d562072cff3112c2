"""What stands on top of a paper whose set was made for a range that does not hold any more."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from labkit.catalog.profiles import Profile, profile_of
from labkit.core.case.identifier import grouped
from labkit.core.case.standing import NotKnown, PairStanding, Standing
from labkit.documents.figures import fixed
from labkit.documents.set_spec import SetUse

#: Where the content of a set has what holds now of it, put there for its papers alone: the file
#: spacer-set.json never has it.
STANDING = "standing"
NOT_TO_BE_WORN = "NOT TO BE WORN"


def standing_facts(spec: Mapping[str, Any]) -> dict[str, Any] | None:
    """Give what every paper of a set says on top; None where all of it still holds.

    Args:
        spec: Content of spacer-set.json, with its standing where it has one.

    Returns:
        A sentence, lines on what is not to be worn and the same in short, and whether the set's
        own percentages are known not to hold any more.
    """
    standing = spec.get(STANDING)
    if standing is None:
        return None
    return {
        "changed": own_changed(spec),
        "statement": statement(spec, standing),
        "lines": not_worn(spec),
        "short": ", ".join(_place(pair) for pair in _struck(spec)),
        "as_prescribed": f"As prescribed on {spec['date']}; it does not hold any more.",
        "now": "now",
        "now_note": "Percent now: of the range that holds now.",
    }


def standing_sentences(spec: Mapping[str, Any]) -> tuple[str, ...]:
    """Give what every paper of a set says on top, a sentence each; nothing where all holds."""
    standing = spec.get(STANDING)
    return () if standing is None else (statement(spec, standing), *not_worn(spec))


def profile_on_paper(spec: Mapping[str, Any]) -> Profile:
    """Give the profile that a set's papers are laid out by.

    Returns:
        The lab's; where percentages are known not to hold, without its own templates, which may
        know nothing of the marks.
    """
    profile = profile_of(spec)
    known = isinstance(spec.get(STANDING), Standing)
    return replace(profile, documents=MappingProxyType({})) if known else profile


def statement(spec: Mapping[str, Any], standing: Standing | NotKnown) -> str:
    """Say what holds now, and since when."""
    if isinstance(standing, NotKnown):
        made_for = _mm(spec["lengths"]["range_mm"])
        return (
            f"{standing.why}. This paper tells the protrusive range as prescribed on "
            f"{spec['date']}, {made_for} mm; ask the laboratory whether that still holds."
        )
    now, ranges = standing.now, standing.made_for
    entry = f"entry {now.entry} of the record, {now.date}, by {now.by}"
    sets = ", ".join(f"{_mm(mm)} mm that {name} was made for" for name, mm in ranges.items())
    if all(_mm(mm) == _mm(now.range_mm) for mm in ranges.values()):
        names = " and ".join(ranges)
        return (
            f"The readings, the jaw or the anchors that hold now ({entry}) are not those that "
            f"{names} was made for: percentages are other ones now. The protrusive range is still "
            f"{_mm(now.range_mm)} mm."
        )
    return (
        f"The protrusive range is {_mm(now.range_mm)} mm now ({entry}), not the {sets}: "
        "percentages of that range do not hold any more."
    )


def _mm(value: float) -> str:
    return fixed(value, 2)


def not_worn(spec: Mapping[str, Any]) -> list[str]:
    """Name each pair that is not to be worn, with its lengths and identifiers, a line each."""
    standing = spec.get(STANDING)
    return [_line(standing, pair) for pair in _struck(spec)]


def own_changed(spec: Mapping[str, Any]) -> bool:
    """Tell whether the percentages of the set's own steps are known not to hold any more."""
    standing = spec.get(STANDING)
    return isinstance(standing, Standing) and standing.own_changed


def _struck(spec: Mapping[str, Any]) -> list[PairStanding]:
    standing = spec.get(STANDING)
    pairs = standing.pairs.values() if isinstance(standing, Standing) else ()
    return [pair for pair in pairs if pair.not_to_be_worn]


def _place(pair: PairStanding) -> str:
    revision, _, step = pair.pair.rpartition("/")
    return f"step {step} of set revision {revision}" if revision else f"step {step}"


def _line(standing: Any, pair: PairStanding) -> str:
    labels = [f"{side} {label}" for side, label in (("left", pair.left), ("right", pair.right))
              if label]  # fmt: skip
    rods = ", ".join(grouped(one) for one in standing.identifiers.get(pair.pair, ()))
    if pair.percent is None:
        why = "cannot be read back on the readings that hold now"
    else:
        why = (
            f"makes {fixed(pair.percent, 1)} % of the range that holds now, "
            f"{fixed(pair.beyond_mm, 2)} mm beyond the maximum"
        )
    named = f" (rods {rods})" if rods else ""
    both = " and ".join(labels)
    return f"{NOT_TO_BE_WORN}: {both}, {_place(pair)}{named}: {why}. Take it out of use."


def trial_fit(spec: Mapping[str, Any]) -> str:
    """Say how the trial fit goes with a set whose percents do not hold; empty where they do."""
    if not isinstance(spec.get(STANDING), Standing):
        return ""
    return (
        f"Trial fit: never with rods marked {NOT_TO_BE_WORN}. With the highest step that is not so "
        "marked, ask the wearer to bring the jaw as far forward as possible and note the "
        "millimetres left; compare with the percent of now and tell the laboratory."
    )


def at_step(spec: Mapping[str, Any], step: int) -> PairStanding | None:
    """Give what the pair of one of the set's own steps makes now; None where all still holds."""
    return _at(spec, str(step))


def at_row(spec: Mapping[str, Any], row: Mapping[str, Any]) -> PairStanding | None:
    """Give what the pair of a row of the whole series makes now; None where all still holds."""
    return _at(spec, str(row["step"]) if row["new"] else f"{row['set_revision']}/{row['step']}")


def _at(spec: Mapping[str, Any], name: str) -> PairStanding | None:
    standing = spec.get(STANDING)
    return standing.pairs.get(name) if isinstance(standing, Standing) else None


def mark(pair: PairStanding | None) -> str:
    """Give the words at the row of a pair; empty where it may be worn."""
    return NOT_TO_BE_WORN if pair is not None and pair.not_to_be_worn else ""


def percent_now(pair: PairStanding | None) -> str:
    """Give the percent that a pair makes now; empty where that is not told."""
    return "" if pair is None or pair.percent is None else fixed(pair.percent, 1)


def marked_places(spec: Mapping[str, Any], uses: Iterable[SetUse]) -> str:
    """Name the places of a part's pieces that are not to be worn; empty where there is none."""
    places = [f"step {use.step} {use.side}" for use in uses
              if mark(at_step(spec, use.step))]  # fmt: skip
    return f"{NOT_TO_BE_WORN}: {', '.join(places)}" if places else ""
