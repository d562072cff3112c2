"""What a paper says of what holds now: for which entry, and what is not to be worn."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import reduce
from types import MappingProxyType
from typing import Any

from labkit.catalog.profiles import Profile, profile_of
from labkit.catalog.texts import Texts, english_texts, filled
from labkit.core.case.case_standing import PairNow, SetStanding
from labkit.core.case.holding import NotHolding, not_holding
from labkit.core.case.identifier import grouped
from labkit.core.case.standing import NotKnown
from labkit.core.grading.prescription import Side
from labkit.documents.figures import fixed, sentence
from labkit.documents.set_spec import SetUse, Spec

#: Where the content of a set has what holds now of it, put there for its papers alone: the file
#: spacer-set.json never has it.
STANDING = "standing"
NOT_TO_BE_WORN = "NOT TO BE WORN"


def what_holds(spec: Spec) -> SetStanding | None:
    """Give what holds now for the rods on a set's papers; None where nobody knows."""
    standing = spec.get(STANDING)
    return standing if isinstance(standing, SetStanding) else None


def standing_facts(spec: Spec, texts: Texts) -> dict[str, Any] | None:
    """Give what every paper of a set says on top; None where no record was kept or asked.

    Args:
        texts: Those of the paper.

    Returns:
        For which entry and day it is true, a sentence where something changed, lines on what is
        not to be worn and the same in short, places that are empty, and whether the set's own
        percentages are known not to hold any more.
    """
    if spec.get(STANDING) is None:
        return None
    words, standing = StandingWords(texts), what_holds(spec)
    return {
        "language": texts.language_of("standing"),
        "as_of": words.as_of(spec),
        "known": standing is not None,
        "changed": own_changed(spec),
        "series_now": standing is not None and bool(standing.changed),
        "statement": words.statement(spec),
        "lines": words.not_worn(spec),
        "gone": words.gone(spec),
        "not_worn": words.word("not_to_be_worn"),
        "short": ", ".join(words.place(pair, _several(spec)) for pair in _struck(spec)),
        "as_prescribed": words.say("as_prescribed", date=spec["date"]),
        "now": words.word("now"),
        "now_note": words.word("now_note"),
    }


def for_the_wearer(spec: Spec) -> dict[str, Any] | None:
    """Give what the wearer's page says on top, in a wearer's words; as `standing_facts`."""
    texts = profile_of(spec).texts.of("wearers-page")
    facts, standing = standing_facts(spec, texts), what_holds(spec)
    if facts is None:
        return None
    words = texts.tables["wearers_page"]
    facts |= {"language": texts.language, "statement": "", "lines": [], "gone": []}
    if standing is None:
        return facts | {"statement": words["not_known"]}
    return facts | {"lines": [_for_the_wearer(standing, pair, words) for pair in standing.struck]}


def _for_the_wearer(standing: SetStanding, pair: PairNow, words: Mapping[str, Any]) -> str:
    values = {side.value: "–" for side in Side}
    values |= {side.value: standing.engraved(rod) for side, rod in pair.rods.items()}
    values["bags"] = ", ".join(grouped(rod.identifier) for rod in pair.rods.values())
    return filled(str(words["not_worn"]), **values)


def standing_sentences(spec: Spec) -> tuple[str, ...]:
    """Give what a set's papers say on top and a run says at its end; nothing where all holds."""
    words = StandingWords(english_texts())
    return tuple(said for said in (words.statement(spec), *words.not_worn(spec)) if said)


def must_say(spec: Spec) -> bool:
    """Tell whether a set's papers are known to mislead without what holds now."""
    standing = what_holds(spec)
    return standing is not None and bool(standing.changed or standing.struck)


def profile_on_paper(spec: Spec) -> Profile:
    """Give the profile that a set's papers are laid out by.

    Returns:
        The lab's; where something else is known to hold now, without its own templates, which may
        know nothing of the marks.
    """
    profile = profile_of(spec)
    return replace(profile, documents=MappingProxyType({})) if must_say(spec) else profile


def own_changed(spec: Spec) -> bool:
    """Tell whether the percentages of the set's own steps are known not to hold any more."""
    standing = what_holds(spec)
    return standing is not None and standing.own_changed


def _struck(spec: Spec) -> tuple[PairNow, ...]:
    standing = what_holds(spec)
    return standing.struck if standing else ()


def _several(spec: Spec) -> bool:
    """Tell whether a step's number alone does not say which one it is."""
    standing = what_holds(spec)
    return standing is not None and bool(standing.series)


def _mm(value: float) -> str:
    return fixed(value, 2)


def words_on(spec: Spec, document: str = "") -> StandingWords:
    """Give the words on one of a set's papers, such as "case-sheet"; in English of any other."""
    return StandingWords(profile_of(spec).texts.of(document))


class StandingWords:
    """What papers say of what holds now, in the language of their texts."""

    def __init__(self, texts: Texts) -> None:
        self._texts, self._words = texts, texts.tables["standing"]

    def word(self, name: str) -> str:
        """Give a word that has no places."""
        return str(self._words[name])

    def say(self, name: str, **values: object) -> str:
        """Give a sentence with its places filled."""
        return filled(str(self._words[name]), **values)

    def _all(self, names: Sequence[str]) -> str:
        return reduce(lambda one, other: self.say("and", one=one, other=other), names)

    def as_of(self, spec: Spec) -> str:
        """Say for which entry of the record and day a paper is true; "" where nobody knows."""
        if (standing := what_holds(spec)) is None:
            return ""
        return self.say("as_of", entry=standing.entry, date=standing.on)

    def statement(self, spec: Spec) -> str:
        """Say what holds now, and since when; "" where all of it still holds."""
        standing = spec.get(STANDING)
        if isinstance(standing, NotKnown):
            return self.say(
                "not_known", why=self.word(standing.why), date=spec["date"],
                mm=_mm(spec["lengths"]["range_mm"]),
            )
        if not isinstance(standing, SetStanding) or not standing.changed:
            return ""
        now, ranges = standing.case.now, {one.name: one.range_mm for one in standing.changed}
        same = all(_mm(mm) == _mm(now.range_mm) for mm in ranges.values())
        said = self.say(
            "geometry_changed" if same else "range_changed",
            mm=_mm(now.range_mm), entry=now.entry, date=now.date, by=now.by,
            sets=self._all(list(ranges)), ranges=", ".join(
                self.say("range_made_for", mm=_mm(mm), set=name) for name, mm in ranges.items()
            ),
        )
        # The percentages of a paper's own set may hold where only another's do not.
        return said if standing.own_changed else (
            f"{said} {self.say('own_holds', set=standing.own)}"
        )

    def place(self, pair: PairNow, several: bool) -> str:
        """Name a setting: its step, and where there are several sets, set, percent and lengths."""
        if not several:
            return self.say("step", step=pair.step)
        place = self.say("set_step", set=pair.set_number, step=pair.step)
        if not pair.rods:
            return place
        lengths = "/".join(
            pair.rods[side].rod.rod.label if side in pair.rods else self.word("none")
            for side in Side
        )
        percent = percent_now(pair)
        return f"{place} ({f'{percent} %, ' if percent else ''}{lengths})"

    def not_worn(self, spec: Spec) -> list[str]:
        """Name each pair that is not to be worn, with its lengths and identifiers, a line each."""
        return [self._not_worn(pair, _several(spec)) for pair in _struck(spec)]

    def _not_worn(self, pair: PairNow, several: bool) -> str:
        makes, rods, place = pair.makes, pair.rods, self.place(pair, several)
        assert makes is not None  # only what is in circulation is struck
        if not several:
            labels = [f"{self.word(side)} {rod.rod.rod.label}" for side, rod in rods.items()]
            place = self.say("struck_rods", labels=self._all(labels), place=place)
        identifiers = ", ".join(grouped(rod.identifier) for rod in rods.values())
        how = "unread" if makes.percent is None else "beyond_short" if several else "beyond"
        return self.say(
            "struck", mark=self.word("not_to_be_worn"), rods=place,
            identifiers=self.say("struck_identifiers", identifiers=identifiers),
            why=self.say(how, percent=percent_now(pair), mm=_mm(makes.beyond_mm)),
        )

    def within_rounding(self, spec: Spec) -> list[str]:
        """Name each pair on a set's papers that makes the maximum within rounding, a line each."""
        if (standing := what_holds(spec)) is None:
            return []
        return [
            self.say(
                "rounding", mark=self.word("within_rounding"), percent=percent_now(pair),
                place=self.place(pair, _several(spec)), mm=_mm(pair.makes.beyond_mm),
                tolerance=_mm(pair.makes.tolerance_mm),
            )
            for pair in standing.series or standing.own_pairs
            if pair.within_rounding and pair.makes is not None and pair.makes.percent is not None
        ]

    def not_held(self, spec: Spec) -> list[str]:
        """Say of each pair in circulation why it does not hold the jaw now, a line each."""
        if (standing := what_holds(spec)) is None:
            return []
        return [self._not_held(found) for found in not_holding(standing.case)]

    def _not_held(self, found: NotHolding) -> str:
        places = {pair.name: self.place(pair, True) for pair in found.pairs}
        values = {name: places.get(value, value) for name, value in found.slip.values.items()}
        why = self._texts.told(found.slip.code, found.what, values)
        return self.say("not_held", why=sentence(why).removesuffix("."))

    def gone(self, spec: Spec) -> list[str]:
        """Name each place of the set that is empty, or that another rod fills, a line each."""
        if (standing := what_holds(spec)) is None:
            return []
        several = _several(spec)
        empty = [
            self.say(
                "empty", place=self.place(pair, several), side=self.word(side),
                label=rod.rod.rod.label, identifier=grouped(rod.identifier),
                state=self.word(rod.state),
            )
            for pair in standing.own_pairs for side, rod in pair.gone.items()
        ]
        anew = [
            sentence(self.say(
                "refilled", place=self.place(pair, several), side=self.word(side),
                new=grouped(pair.rods[side].identifier), old=grouped(identifier),
            ))
            for pair in standing.own_pairs
            for side, identifier in _printed(spec, pair.step)
            if side in pair.rods and pair.rods[side].identifier != identifier
        ]
        return empty + anew

    def trial_fit(self, spec: Spec) -> str:
        """Say which rods are not to be used at the chair; empty where every pair may be worn."""
        mark = self.word("not_to_be_worn")
        return self.say("trial_fit", mark=mark) if _struck(spec) else ""

    def mark(self, pair: PairNow | None) -> str:
        """Give the words at the row of a pair; empty where it may be worn."""
        if pair is None:
            return ""
        if not pair.rods:
            return self.word("not_out")
        return self.word("not_to_be_worn") if pair.not_to_be_worn else ""

    def rod(self, pair: PairNow | None, identifier: str) -> str:
        """Give the words at a rod by itself: those of its pair, and that it is used as it is."""
        own = [] if pair is None else [
            self.say("as_is", length=fixed(rod.as_is_mm, 3)) for rod in pair.rods.values()
            if rod.identifier == identifier and rod.as_is_mm is not None
        ]
        return ", ".join(word for word in (self.mark(pair), *own) if word)

    def beside(self, pair: PairNow | None) -> str:
        """Give the words at the row of a pair, also of an empty place; empty where all is well."""
        if pair is None or not pair.rods:
            return self.mark(pair)
        own = self.word("within_rounding") if pair.within_rounding else self.mark(pair)
        empty = [
            self.say("empty_short", side=self.word(side), state=self.word(rod.state))
            for side, rod in pair.gone.items()
        ]
        as_is = [
            self.say("as_is_short", side=self.word(side), length=fixed(rod.as_is_mm, 3))
            for side, rod in pair.rods.items() if rod.as_is_mm is not None
        ]
        return ", ".join(word for word in (own, *empty, *as_is) if word)


def _printed(spec: Spec, step: int) -> list[tuple[Side, str]]:
    """Give the rods that a set has for one of its steps."""
    uses = [use for part in spec["parts"] for use in part["uses"] if use["step"] == step]
    return [(Side(use["side"]), use["identifier"]) for use in uses]


def own_set(spec: Spec) -> str:
    """Give the number of the set that a paper's steps are of; "" where no other can be meant."""
    if (standing := what_holds(spec)) is None:
        return ""
    return str(standing.own) if _several(spec) or standing.own != spec["revision"] else ""


def is_out(spec: Spec, identifier: str) -> bool:
    """Tell whether a rod is in circulation; true where nobody could be asked."""
    if (standing := what_holds(spec)) is None:
        return True
    return standing.case.of_rod(identifier) is not None


def at_step(spec: Spec, step: int) -> PairNow | None:
    """Give one of the set's own settings as it is now; None where nobody knows."""
    standing = what_holds(spec)
    return standing.at_step(step) if standing else None


def series_now(spec: Spec) -> tuple[tuple[PairNow, bool], ...]:
    """Give every pair in circulation, where not all are the set's own, and whether it is new.

    New are those of the paper's own set, if none was made after it.
    """
    if (standing := what_holds(spec)) is None:
        return ()
    last = max((pair.set_number for pair in standing.series), default=0)
    return tuple((pair, pair.set_number == standing.own == last) for pair in standing.series)


def percent_now(pair: PairNow | None) -> str:
    """Give the percent that a pair makes now; empty where that is not told."""
    percent = None if pair is None or pair.makes is None else pair.makes.percent
    return "" if percent is None else fixed(percent, 1)


def marked_places(spec: Spec, uses: Iterable[SetUse]) -> str:
    """Name the places of a part's pieces that are not to be worn; empty where there is none."""
    places = [f"step {use.step} {use.side}" for use in uses
              if (pair := at_step(spec, use.step)) is not None and pair.not_to_be_worn]
    return f"{NOT_TO_BE_WORN}: {', '.join(places)}" if places else ""
