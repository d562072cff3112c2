"""A trial fit as pictures: rods to scale, one end attached, and where the other seat lies."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal

from markupsafe import Markup

from labkit.core.case.identifier import grouped
from labkit.core.case.rods_out import length_of
from labkit.core.case.trial_seen import Seen
from labkit.core.case.trial_values import TrialProposal
from labkit.core.clinic import typed_number
from labkit.core.grading.prescription import Side
from labkit.core.rod.rods import Rod
from labkit.documents.rod_picture import box_mm
from labkit.documents.standing import NOT_TO_BE_WORN
from labkit.ledger.stored import StoredRod
from labkit.units import plain
from labkit.web.drawings import MARGIN_MM, PER_MM, rod_svg
from labkit.web.scale import Scale, Shown, laid_out, one_word
from labkit.web.show import drawn

#: Room around a rod for seats beyond it and the words below, and half a rod that is not drawn.
_BESIDE, _BELOW, _HALF = 26.0, 40.0, 24.0
#: A gap that shows plainly what is meant, where nobody has told one, mm.
_PLAIN_MM = Decimal("1.6")
#: No gap is drawn longer, mm: the sentence says it.
_MOST_MM = Decimal(12)
#: How much of the rod a picture of its free end alone shows, pixels.
_END = 84.0


@dataclass(frozen=True)
class Seats:
    """A rod with its seats, in pixels; y runs downwards.

    Args:
        rod: It as drawn; empty where it cannot be drawn.
        at: Left upper corner of the drawing.
        fixed, end, seat: Places across of the attached end, the free end and its seat.
        gap: How far the free end lies from its seat, in words; empty where it meets.
        alt: The picture in words.
    """

    rod: Markup
    label: str
    at: float
    width: float
    height: float
    middle: float
    fixed: float
    end: float
    seat: float
    gap: str
    alt: str

    @property
    def view(self) -> str:
        """What is shown of it: all."""
        return f"0 0 {self.width:.1f} {self.height:.1f}"

    @property
    def view_of_end(self) -> str:
        """What is shown of it: the free end and its seat alone."""
        left = min(self.end, self.seat) - _END / 2
        return f"{left:.1f} 0 {_END:.1f} {self.height - _BELOW + 6:.1f}"


def seats_of(rod: Rod | None, label: str, seen: Seen, by_mm: Decimal | None) -> Seats:
    """Draw a rod with one end attached, and its other seat where it was seen.

    Args:
        rod: To be drawn; None where it is of a form that is not drawn.
        by_mm: How far its free end lies from the seat; None where nobody has told it yet.
    """
    length = length_of(label)
    gap = Decimal(0) if seen is Seen.MEETS else min(by_mm or _PLAIN_MM, _MOST_MM)
    past = gap if seen is Seen.TOO_SHORT else -gap
    left = float(length) / 2 * PER_MM + _HALF
    height = 2 * _HALF
    if rod is not None:
        edge, _, bottom, top = box_mm(rod)
        left = (MARGIN_MM - edge) * PER_MM
        height = (top - bottom + 2 * MARGIN_MM) * PER_MM
    fixed = _BESIDE + left - float(length) / 2 * PER_MM
    end = fixed + float(length) * PER_MM
    seat = end + float(past) * PER_MM
    said = f"{seen.words} by {plain(by_mm)} mm" if by_mm is not None else seen.words
    return Seats(
        drawn(rod_svg(rod)) if rod is not None else Markup(""), label, _BESIDE,
        max(end, seat) + left - float(length) / 2 * PER_MM + _BESIDE, height + _BELOW, height / 2,
        fixed, end, seat, "" if seen is Seen.MEETS or by_mm is None else f"{plain(by_mm)} mm",
        f"Rod {label}, one end attached; its free end: {said}",
    )


@dataclass(frozen=True)
class Choice:
    """A rod that can have been tried."""

    identifier: str
    label: str
    made_for: str
    picture: Markup

    @property
    def shown(self) -> str:
        """Its identifier for people."""
        return grouped(self.identifier)


@dataclass(frozen=True)
class SideShown:
    """One side of the page.

    Args:
        rods: That can have been tried, the longest first.
        chosen: The one that was.
        now: The picture of what is told of it.
        options: What can have been seen: value, words, picture.
    """

    side: Side
    rods: tuple[Choice, ...]
    chosen: Choice
    now: Seats
    options: tuple[tuple[Seen, str, Seats], ...]


def side_shown(
    side: Side, rods: Mapping[str, tuple[StoredRod, Rod | None]], asked: Mapping[str, str],
    first: str, struck: Collection[str],
) -> SideShown | None:
    """Put one side of the page together; None where no rod of that side can be tried.

    Args:
        rods: By identifier: those of that side that can be tried, as drawn where they can be.
        first: Label of the rod that is tried first.
        struck: Identifiers of rods that are not to be worn.
    """
    if not rods:
        return None
    choices = tuple(
        Choice(name, rod.label, f"{rod.set_name}, step {rod.step}"
               f"{f', {NOT_TO_BE_WORN}' if name in struck else ''}",
               drawn(rod_svg(shape)) if shape else Markup(""))
        for name, (rod, shape) in rods.items()
    )
    wanted = asked.get(str(side), "")
    by_label = {one.label: one for one in reversed(choices)}
    by_any = {**by_label, **{one.identifier: one for one in choices}}
    chosen = by_any.get(wanted.replace(" ", "").upper().rstrip("LR")) or by_label.get(
        first, choices[0]
    )
    shape = rods[chosen.identifier][1]
    told = asked.get(f"{side}_seen", "")
    seen = Seen(told) if told in tuple(Seen) else Seen.MEETS
    options = tuple((one, one.words, seats_of(shape, chosen.label, one, None)) for one in Seen)
    return SideShown(
        side, choices, chosen,
        seats_of(shape, chosen.label, seen, gap_of(asked.get(f"{side}_by", ""))), options,
    )


def gap_of(text: str) -> Decimal | None:
    """Read a gap to be drawn; None where it is none, which the answer tells in words."""
    found = typed_number(text)
    return found if isinstance(found, Decimal) and found > 0 else None


def scale_after(proposal: TrialProposal) -> Scale | None:
    """Lay the pairs out on the range as it would be, with the end of the range as it was."""
    before, pairs = proposal.range_before_mm, list[Shown]()
    for pair in proposal.pairs:
        mm, percent = pair.standing.advancement_mm, pair.percent
        if mm is None or percent is None:
            continue
        words = one_word(f"{pair.standing.left or 'none'}/{pair.standing.right or 'none'}")
        pairs.append(Shown(mm, percent, words, "struck" if pair.not_to_be_worn else ""))
    was = None if proposal.confirmed else before
    return laid_out(pairs, proposal.range_mm, was_mm=was)
