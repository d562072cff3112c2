"""Reading the label from a scan: every way up, every form of label, and only what is certain."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from labkit.core.label.layout import BAR, lay_out
from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.label.place import Spans, label_space, spans
from labkit.core.label.rules import needs_bar
from labkit.core.rod.rods import RodTemplate
from labkit.errors import LabelError
from labkit.exports.expected import expected_bar, expected_ends
from labkit.exports.expected.base import Array
from labkit.exports.scan.case_mark import read_case_mark
from labkit.exports.scan.glyphs import (
    DIGITS,
    HALF,
    LEAST_SCORE,
    Match,
    correlations,
    drawn,
    match,
    nats_a_pixel,
)
from labkit.exports.scan.odds import LEAST_NATS, NO_RIVAL, Rival, likeliest, rival_of
from labkit.exports.scan.pose import Pose
from labkit.exports.scan.relief import Relief, relief

#: Ink beside the characters, as a share of theirs: more, and the label is another one.
MOST_BESIDE = 0.15
#: A bar under the label is ink over this share of its length.
BAR_THERE = 0.7
#: A label may lie this far from its place, in character heights (rounded ends of characters, pose).
ASIDE = 0.12
#: One character may be off from the others by so many pixels.
CHAR_REACH = 2
#: A character of which less is seen speaks by its odds alone.
LEAST_CHAR_SEEN = 0.5
#: Less of the label's place in the scan, and damage could not be told from a character.
LEAST_FACE_SEEN = 0.75
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
        rival: The likeliest other label that the template allows, and the odds against it.
        case_mark: Case mark beside it, empty where there is none or it was not read.
    """

    text: str
    mark: str
    inward_y: int
    chars: tuple[Match, ...]
    problem: str
    seen: float
    rival: Rival = NO_RIVAL
    case_mark: str = ""

    @property
    def engraving(self) -> str:
        """All characters read, without the bar."""
        return self.text + self.mark


@dataclass(frozen=True, eq=False)
class _Form:
    """A label whose digits only hold the places, and where it stands on a rod of some length."""

    laid: Engraving
    spans: Spans

    def aside(self, view: Relief) -> int:
        """Give how many pixels its middle lies to the right of that of the label's area."""
        return round(sum(self.spans.label) / 2.0 / view.pixel_mm)

    def mark_from(self, view: Relief) -> int | None:
        """Give the column at which the place of the case mark begins; None without one."""
        if self.spans.mark is None:
            return None
        return int(view.center[0] + self.spans.mark[0] / view.pixel_mm)


@dataclass(frozen=True, eq=False)
class _Reading:
    """One form of label laid on one view of one face."""

    pose: Pose
    view: Relief
    text: str
    chars: tuple[Match, ...]
    form: _Form
    bar_share: float
    bar_gain: float
    beside: float
    flipped: bool

    @property
    def bar(self) -> bool:
        return self.form.laid.bar

    @property
    def gain(self) -> float:
        """How much likelier the scan is with this label than with none, logarithm."""
        return sum(char.gains[char.char] for char in self.chars) + self.bar_gain


def read_scan_label(
    vertices: Array,
    triangles: NDArray[np.intp],
    pose: Pose,
    template: RodTemplate,
    lettering: Lettering,
) -> tuple[ScanLabel, Pose]:
    """Read the label of a rod from its scan; the pose has the label's reader on −y and z up.

    Formula: for each face that may bear it, each way up and each form (number of decimals, bar,
    with or without a case mark beside it), the characters' places are known; each place gets the
    character of the highest correlation. A case mark's place is no part of the label.

    Validity: labels as the program engraves them: length, side mark where the template has one or
    the sides differ, a bar where the length can be misread upside down.
    """
    readings: list[_Reading] = []
    forms = list(_forms(template, lettering))
    for turned, flipped in _ways_up(pose, template):
        view = _view(vertices, triangles, template, (turned, flipped))
        if view is None:
            continue
        space = label_space(template, turned.length_mm)
        readings += [
            _read(view, _Form(form, spans(template, form, space)), lettering, (turned, flipped))
            for form in forms
        ]
    if not readings:
        nothing = "the scan shows nothing of the label's face"
        return ScanLabel("", "", 0, (), nothing, 0.0), pose
    best = max(readings, key=lambda reading: reading.gain)
    rival = _rival(best, readings, template)
    problem = _problem(best, rival, template)
    seen = best.view.seen
    if problem:
        return ScanLabel("", "", 0, best.chars, problem, seen, rival), pose
    mark = best.text[-1] if best.text[-1] in MARKS else ""
    text = best.text.removesuffix(mark)
    inward = (1 if best.flipped else -1) if template.handed else 0
    case_mark = _case_mark(best, vertices, triangles, template, lettering)
    return ScanLabel(text, mark, inward, best.chars, "", seen, rival, case_mark), best.pose


def read_in_a_mirror(
    vertices: Array,
    triangles: NDArray[np.intp],
    pose: Pose,
    template: RodTemplate,
    lettering: Lettering,
) -> str:
    """Read the label of a scan that is mirrored; empty where it reads as none.

    Every rod is alike above and below: only the label tells a rod from its mirror picture.
    """
    turned = pose.to_rod(vertices) * np.array([1.0, 1.0, -1.0])
    still = Pose(np.eye(3), np.zeros(3), pose.length_mm, pose.cost)
    label, _ = read_scan_label(turned, triangles, still, template, lettering)
    return label.engraving


def _case_mark(
    best: _Reading,
    vertices: Array,
    triangles: NDArray[np.intp],
    template: RodTemplate,
    lettering: Lettering,
) -> str:
    """Read the case mark beside a label that was read; empty where there is none."""
    span = best.form.spans.mark
    if span is None or template.case_mark is None:
        return ""
    label = replace(template.label, height_mm=template.case_mark.height_mm)
    way = (best.pose, best.flipped)
    view = _view(vertices, triangles, replace(template, label=label), way)
    return "" if view is None else read_case_mark(view, span, lettering)


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
    vertices: Array, triangles: NDArray[np.intp], template: RodTemplate, way: tuple[Pose, bool]
) -> Relief | None:
    (pose, flipped), local = way, way[0].to_rod(vertices)
    if not flipped:
        return relief(local, triangles, template, pose.length_mm)
    # The reader of the mirror part sees x to the left: lower and upper end change sides.
    turned = replace(template, lower=template.upper, upper=template.lower)
    return relief(local * np.array([-1.0, 1.0, -1.0]), triangles, turned, pose.length_mm)


def _forms(template: RodTemplate, lettering: Lettering) -> Iterator[Engraving]:
    """Lay out labels of every form; their digits only hold the places."""
    fewest, most = (len(str(int(end))) for end in (template.shortest_mm, template.longest_mm))
    marks = (MARKS[0],) if template.label.side_mark else ("", MARKS[0])
    wholes = range(fewest, most + 1)
    for whole, decimals, mark, bar in product(wholes, DECIMALS, marks, (False, True)):
        text = "8" * whole + "." + "8" * decimals + mark
        try:
            label = lay_out(lettering, text, bar, template.label.height_mm)
        except LabelError:  # a lettering without some character
            continue
        yield label
        if template.case_mark is not None:
            height = template.case_mark.height_mm
            beside = lay_out(lettering.of_case_marks, "8", False, height)
            yield replace(label, case_mark=beside)


def _read(
    view: Relief,
    form: _Form,
    lettering: Lettering,
    way: tuple[Pose, bool],
) -> _Reading:
    held, aside = form.laid, form.aside(view)
    cells = [(_choices(glyph.char), glyph.left) for glyph in held.glyphs if glyph.char != BAR]
    baseline = min(glyph.bottom for glyph in held.glyphs if glyph.char != BAR)
    places = [
        (chars, (round(view.center[0] + left / view.pixel_mm) + aside,
                 round(view.center[1] + baseline / view.pixel_mm)))
        for chars, left in cells
    ]
    off = _common_shift(view, places, lettering, round(ASIDE * held.height_mm / view.pixel_mm))
    chars = tuple(
        match(view, drawn(lettering, chars), (at[0] + off[0], at[1] + off[1]), CHAR_REACH)
        for chars, at in places
    )
    text, shift = "".join(char.char for char in chars), (off[0] + aside, off[1])
    laid = lay_out(lettering, text, held.bar, held.height_mm)
    beside = _beside(view, laid, shift, form.mark_from(view))
    bar = _bar_seen(view, laid, shift) if held.bar else (0.0, 0.0)
    return _Reading(way[0], view, text, chars, form, *bar, beside, way[1])


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


def _beside(
    view: Relief, laid: Engraving, shift: tuple[int, int], mark_from: int | None
) -> float:
    """Give how much ink lies beside the label as laid out, as a share of its own.

    Args:
        mark_from: Column from which on it belongs to a case mark; None without one.
    """
    grid = np.zeros(view.ink.shape)
    if mark_from is not None:
        grid[:, max(mark_from, 0) :] = 1.0
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


def _bar_seen(
    view: Relief, laid: Engraving, shift: tuple[int, int]
) -> tuple[float, float]:
    """Give the share of the bar's length, as far as it is seen, with ink, and the bar's gain."""
    bar = next(glyph for glyph in laid.glyphs if glyph.char == BAR)
    low, high = (
        round(view.center[1] + shift[1] + edge / view.pixel_mm) for edge in (bar.bottom, bar.top)
    )
    left, right = (
        round(view.center[0] + shift[0] + edge / view.pixel_mm) for edge in (bar.left, bar.right)
    )
    band = np.s_[max(low - 1, 0) : max(high + 2, 0), max(left + 1, 0) : max(right - 1, 0)]
    ink, known = view.ink[band], view.known[band]
    seen = known.any(axis=0)
    if not seen.any():
        return 0.0, 0.0
    share = float((ink.max(axis=0)[seen] > HALF).mean())
    middle = np.s_[1:-1] if ink.shape[0] > 2 else np.s_[:]
    gain = float((2.0 * ink - 1.0)[middle][known[middle]].sum()) * nats_a_pixel(view)
    return share, gain


def _rival(best: _Reading, readings: list[_Reading], template: RodTemplate) -> Rival:
    """Find the likeliest other label, of the same form or of another, this way up or another."""
    rivals = [rival_of(best.chars, best.bar, template)]
    for other in readings:
        if other.text == best.text or best.gain - other.gain > LEAST_NATS:
            continue
        found = likeliest(other.chars, other.bar, template)
        if found.text and found.text != best.text:
            rivals.append(Rival(found.text, best.gain - other.gain + found.nats))
    return min(rivals, key=lambda rival: rival.nats)


def _problem(best: _Reading, rival: Rival, template: RodTemplate) -> str:
    """Say why the best reading is not certain, or nothing."""
    view, stroke = best.view, 0.1 * template.label.height_mm
    if max(one.score for one in best.chars) < LEAST_SCORE:
        if view.spacing_mm > 1.2 * stroke:
            return (
                f"the scan's points are {view.spacing_mm:.2f} mm apart on the label's face, too "
                f"coarse for strokes of {stroke:.2f} mm"
            )
        return f"no label is seen in the {100 * view.seen:.0f} % of its place that the scan shows"
    for number, char in enumerate(best.chars, start=1):
        if char.seen >= LEAST_CHAR_SEEN and char.score < LEAST_SCORE:
            return f"character {number} is not certainly {char.char}"
    if best.beside > MOST_BESIDE:
        return "there is more engraved in the face than the characters found"
    if view.seen < LEAST_FACE_SEEN:
        return f"its place is only {100 * view.seen:.0f} % in the scan"
    if rival.nats < LEAST_NATS:
        return _uncertain(best, rival)
    length = best.text.rstrip(MARKS)
    if best.bar and best.bar_share < BAR_THERE:
        return f"a bar is seen under {100 * best.bar_share:.0f} % of the label's length only"
    if needs_bar(length) != best.bar:
        state = "with" if best.bar else "without"
        return f"{length} {state} a bar under it is no label: it may be upside down"
    return ""


def _uncertain(best: _Reading, rival: Rival) -> str:
    least = min(best.chars, key=lambda char: char.seen)
    seen = f"character {best.chars.index(least) + 1} is {100 * least.seen:.0f} % in the scan"
    return f"it may be {best.text} and it may be {rival.text}: {seen}"
