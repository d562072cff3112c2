"""Reading the label from a scan: every way up, every form of label, and only what is certain."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from labkit.core.label.layout import BAR, lay_out
from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.label.rules import needs_bar
from labkit.core.rod.rods import RodTemplate
from labkit.errors import LabelError
from labkit.exports.expected import expected_bar, expected_ends
from labkit.exports.expected.base import Array
from labkit.exports.scan.glyphs import DIGITS, Match, correlations, drawn, match
from labkit.exports.scan.pose import Pose
from labkit.exports.scan.relief import Relief, relief

#: A character is accepted when it is this like the drawn one, and this much more than any other;
LEAST_SCORE, LEAST_MARGIN = 0.70, 0.10
#: when, for each other one, so many of the pixels in which the two differ are seen and speak for
#: it, and so many of those that are seen.
LEAST_EVIDENCE, LEAST_PURITY = 0.50, 0.80
#: Ink beside the characters, as a share of theirs: more, and the label is another one.
MOST_BESIDE = 0.15
#: A bar under the label is ink over this share of its length.
BAR_THERE = 0.7
#: A label may lie this far from its place, in character heights (rounded ends of characters, pose).
ASIDE = 0.12
#: One character may be off from the others by so many pixels.
CHAR_REACH = 2
#: Decimals that a label may have.
DECIMALS = (1, 2, 3)
MARKS = "LR"


@dataclass(frozen=True)
class ScanLabel:
    """A label as read from a scan.

    Args:
        text: The length as engraved, empty where it was not read.
        mark: Side mark, "L", "R" or empty.
        inward_y: Which way the inward face looks in the frame of a handed rod, 0 where not known.
        problem: Why it was not read; empty where it was.
        seen: Share of the label's place that the scan shows.
    """

    text: str
    mark: str
    inward_y: int
    chars: tuple[Match, ...]
    problem: str
    seen: float

    @property
    def engraving(self) -> str:
        """All characters read, without the bar."""
        return self.text + self.mark


@dataclass(frozen=True, eq=False)
class _Reading:
    """One form of label laid on one view of one face."""

    pose: Pose
    view: Relief
    text: str
    chars: tuple[Match, ...]
    bar: bool
    bar_share: float
    beside: float
    flipped: bool

    @property
    def score(self) -> float:
        bar = 1.0 - self.bar_share if self.bar else 0.0
        return float(np.mean([char.score for char in self.chars])) - self.beside - bar


def read_scan_label(
    vertices: Array,
    triangles: NDArray[np.intp],
    pose: Pose,
    template: RodTemplate,
    lettering: Lettering,
) -> tuple[ScanLabel, Pose]:
    """Read the label of a rod from its scan; the pose has the label's reader on −y and z up.

    Formula: for each face that may bear it, each way up and each form (number of decimals, bar),
    the characters' places are known; each place gets the character of the highest correlation.

    Validity: labels as the program engraves them: length, side mark where the template has one or
    the sides differ, a bar where the length can be misread upside down.
    """
    readings: list[_Reading] = []
    forms = list(_forms(template, lettering))
    for turned, flipped in _ways_up(pose, template):
        local = turned.to_rod(vertices)
        if flipped:  # the reader of the mirror part sees x to the left
            local = local * np.array([-1.0, 1.0, -1.0])
        view = _view(local, triangles, template, turned.length_mm, flipped)
        if view is None:
            continue
        readings += [_read(view, form, lettering, (turned, flipped)) for form in forms]
    if not readings:
        nothing = "the scan shows nothing of the label's face"
        return ScanLabel("", "", 0, (), nothing, 0.0), pose
    best = max(readings, key=lambda reading: reading.score)
    problem = _problem(best, readings, template)
    seen = best.view.seen
    if problem:
        return ScanLabel("", "", 0, best.chars, problem, seen), pose
    mark = best.text[-1] if best.text[-1] in MARKS else ""
    text = best.text.removesuffix(mark)
    inward = (1 if best.flipped else -1) if template.handed else 0
    return ScanLabel(text, mark, inward, best.chars, "", seen), best.pose


def _ways_up(pose: Pose, template: RodTemplate) -> Iterator[tuple[Pose, bool]]:
    """Give every pose in which the rod may lie, and whether its reader sees x to the left."""
    if template.handed:
        yield pose, False
        yield pose, True
        return
    yield pose, False
    yield pose.half_turned(1), False
    # A round bar's flat, or what stands out of a face, tells the inward side.
    if expected_bar(template).plane and not any(e.stands_out_mm for e in expected_ends(template)):
        yield pose.half_turned(0), False
        yield pose.half_turned(2), False


def _view(
    local: Array,
    triangles: NDArray[np.intp],
    template: RodTemplate,
    length_mm: float,
    flipped: bool,
) -> Relief | None:
    if not flipped:
        return relief(local, triangles, template, length_mm)
    # Seen by the other reader, lower and upper end change sides.
    turned = replace(template, lower=template.upper, upper=template.lower)
    return relief(local, triangles, turned, length_mm)


def _forms(template: RodTemplate, lettering: Lettering) -> Iterator[Engraving]:
    """Lay out labels of every form; their digits only hold the places."""
    fewest, most = (len(str(int(end))) for end in (template.shortest_mm, template.longest_mm))
    marks = (MARKS[0],) if template.label.side_mark else ("", MARKS[0])
    wholes = range(fewest, most + 1)
    for whole, decimals, mark, bar in product(wholes, DECIMALS, marks, (False, True)):
        text = "8" * whole + "." + "8" * decimals + mark
        try:
            yield lay_out(lettering, text, bar, template.label.height_mm)
        except LabelError:  # a lettering without some character
            continue


def _read(
    view: Relief,
    form: Engraving,
    lettering: Lettering,
    way: tuple[Pose, bool],
) -> _Reading:
    cells = [
        (_choices(glyph.char), glyph.left, form.height_mm)
        for glyph in form.glyphs if glyph.char != BAR
    ]
    baseline = min(glyph.bottom for glyph in form.glyphs if glyph.char != BAR)
    places = [
        (chars, (round(view.center[0] + left / view.pixel_mm),
                 round(view.center[1] + baseline / view.pixel_mm)))
        for chars, left, _ in cells
    ]
    shift = _common_shift(view, places, lettering, round(ASIDE * form.height_mm / view.pixel_mm))
    chars = tuple(
        match(view, drawn(lettering, chars), (at[0] + shift[0], at[1] + shift[1]), CHAR_REACH)
        for chars, at in places
    )
    text = "".join(char.char for char in chars)
    laid = lay_out(lettering, text, form.bar, form.height_mm)
    beside = _beside(view, laid, shift)
    bar = _bar_share(view, laid, shift) if form.bar else 0.0
    return _Reading(way[0], view, text, chars, form.bar, bar, beside, way[1])


def _choices(char: str) -> str:
    if char == "8":
        return DIGITS
    return MARKS if char in MARKS else char


def _common_shift(
    view: Relief, places: list[tuple[str, tuple[int, int]]], lettering: Lettering, reach: int
) -> tuple[int, int]:
    """Find by how much the whole label lies off its place, in pixels."""
    total: Array | None = None
    for chars, at in places:
        best = correlations(view, drawn(lettering, chars), at, (reach, reach)).max(axis=2)
        total = best if total is None else total + best
    assert total is not None
    row, column = np.unravel_index(int(total.argmax()), total.shape)
    return int(column) - reach, int(row) - reach


def _beside(view: Relief, laid: Engraving, shift: tuple[int, int]) -> float:
    """Give how much ink lies beside the label as laid out, or lacks from its bar, as a share."""
    grid = np.zeros(view.ink.shape)
    own = 0.0
    for glyph in laid.glyphs:
        left = view.center[0] + shift[0] + glyph.left / view.pixel_mm
        right = view.center[0] + shift[0] + glyph.right / view.pixel_mm
        low = view.center[1] + shift[1] + glyph.bottom / view.pixel_mm
        high = view.center[1] + shift[1] + glyph.top / view.pixel_mm
        box = np.s_[max(int(low) - 2, 0) : int(high) + 4, max(int(left) - 3, 0) : int(right) + 4]
        grid[box] = 1.0
        own += float((view.ink[box] * view.known[box]).sum())
    dark = (view.ink > 0.6) & view.known & (grid == 0.0)
    return float(dark.sum()) / max(own, 1.0)


def _bar_share(view: Relief, laid: Engraving, shift: tuple[int, int]) -> float:
    """Give the share of the bar's length over which there is ink in its place."""
    bar = next(glyph for glyph in laid.glyphs if glyph.char == BAR)
    low, high = (
        round(view.center[1] + shift[1] + edge / view.pixel_mm) for edge in (bar.bottom, bar.top)
    )
    left, right = (
        round(view.center[0] + shift[0] + edge / view.pixel_mm) for edge in (bar.left, bar.right)
    )
    band = np.s_[max(low - 1, 0) : max(high + 2, 0), max(left + 1, 0) : max(right - 1, 0)]
    ink = np.where(view.known[band], view.ink[band], 0.0)
    return float((ink.max(axis=0) > 0.5).mean()) if ink.size else 0.0


def _problem(best: _Reading, readings: list[_Reading], template: RodTemplate) -> str:
    """Say why the best reading is not certain, or nothing."""
    for number, char in enumerate(best.chars, start=1):
        if not _certain(char):
            return _uncertain(number, char, best, template)
    if best.beside > MOST_BESIDE:
        return "there is more engraved in the face than the characters found"
    length = best.text.rstrip(MARKS)
    if best.bar and best.bar_share < BAR_THERE:
        return f"a bar is seen under {100 * best.bar_share:.0f} % of the label's length only"
    if needs_bar(length) != best.bar:
        state = "with" if best.bar else "without"
        return f"{length} {state} a bar under it is no label: it may stand upside down"
    for other in readings:
        if other is not best and other.text != best.text and other.score > best.score - 0.1 and (
            all(char.score >= LEAST_SCORE for char in other.chars)
        ):
            return f"it reads {best.text} and, another way up, {other.text}"
    return ""


def _certain(char: Match) -> bool:
    """Tell whether a character is what it is taken for."""
    apart = char.margin >= LEAST_MARGIN or not char.second
    enough = char.evidence >= LEAST_EVIDENCE and char.purity >= LEAST_PURITY
    return char.score >= LEAST_SCORE and apart and enough


def _uncertain(number: int, char: Match, best: _Reading, template: RodTemplate) -> str:
    view, stroke = best.view, 0.1 * template.label.height_mm
    if max(one.score for one in best.chars) < LEAST_SCORE:
        if view.spacing_mm > 1.2 * stroke:
            return (
                f"the scan's points are {view.spacing_mm:.2f} mm apart on the label's face, too "
                f"coarse for strokes of {stroke:.2f} mm"
            )
        return f"no label is seen in the {100 * view.seen:.0f} % of its place that the scan shows"
    if char.seen < 0.9:
        return f"character {number} is {100 * char.seen:.0f} % in the scan"
    rival = f" and not {char.second}" if char.second else ""
    return f"character {number} is not certainly {char.char}{rival}"
