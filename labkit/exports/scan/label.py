"""Reading the label from a scan: every way up, every form of label, and only what is certain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from labkit.core.label.layout import BAR, lay_out
from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.label.place import Spans, label_space, spans
from labkit.core.label.rules import needs_bar
from labkit.core.rod.rods import RodTemplate
from labkit.errors import LabelError
from labkit.exports.expected.base import Array
from labkit.exports.scan.case_mark import read_case_mark
from labkit.exports.scan.face import Face, faces_of, view_of
from labkit.exports.scan.glyphs import (
    DIGITS,
    HALF,
    LEAST_SCORE,
    Guess,
    Match,
    match,
    nats_a_pixel,
)
from labkit.exports.scan.odds import LEAST_NATS, NO_RIVAL, Rival, likeliest, rival_of
from labkit.exports.scan.pose import Pose
from labkit.exports.scan.relief import Relief

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
    """One form of label laid on one view of one face.

    Args:
        places: The characters that may stand at each place, and where their ink begins.
        guesses: The likeliest of them.
        shift: By how many pixels it lies off the face's middle.
    """

    face: Face
    form: _Form
    places: tuple[tuple[str, tuple[int, int]], ...]
    guesses: tuple[Guess, ...]
    shift: tuple[int, int]

    @property
    def view(self) -> Relief:
        return self.face.view

    @property
    def text(self) -> str:
        return "".join(guess.char for guess in self.guesses)

    @property
    def bar(self) -> bool:
        return self.form.laid.bar

    @cached_property
    def laid(self) -> Engraving:
        """The label that the guesses make."""
        return lay_out(self.face.lettering, self.text, self.bar, self.form.laid.height_mm)

    @cached_property
    def gain(self) -> float:
        """How much likelier the scan is with this label than with none, logarithm."""
        of_bar = _bar_seen(self.view, self.laid, self.shift)[1] if self.bar else 0.0
        return sum(guess.gain for guess in self.guesses) + of_bar

    def matches(self) -> tuple[Match, ...]:
        """Look at each character closely."""
        return tuple(match(self.face.compared(chars), at, CHAR_REACH) for chars, at in self.places)


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
    for face in faces_of(vertices, triangles, pose, template, lettering):
        if readings and face.most_gain < max(one.gain for one in readings) - LEAST_NATS:
            break  # neither the label nor a rival
        space = label_space(template, face.pose.length_mm)
        readings += [
            _read(face, _Form(form, spans(template, form, space)))
            for form in _forms(template, lettering)
        ]
    if not readings:
        nothing = "the scan shows nothing of the label's face"
        return ScanLabel("", "", 0, nothing, 0.0), pose
    best = max(readings, key=lambda reading: reading.gain)
    rival = _rival(best, readings, template)
    problem = _problem(best, rival, template)
    seen = best.view.seen
    if problem:
        return ScanLabel("", "", 0, problem, seen, rival), pose
    mark = best.text[-1] if best.text[-1] in MARKS else ""
    text = best.text.removesuffix(mark)
    inward = (1 if best.face.flipped else -1) if template.handed else 0
    case_mark = _case_mark(best, vertices, triangles, template, lettering)
    return ScanLabel(text, mark, inward, "", seen, rival, case_mark), best.face.pose


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
    way = (best.face.pose, best.face.flipped)
    view = view_of(vertices, triangles, replace(template, label=label), way)
    return "" if view is None else read_case_mark(view, span, lettering)


@lru_cache(maxsize=16)
def _forms(template: RodTemplate, lettering: Lettering) -> tuple[Engraving, ...]:
    """Lay out labels of every form; their digits only hold the places."""
    fewest, most = (len(str(int(end))) for end in (template.shortest_mm, template.longest_mm))
    marks = (MARKS[0],) if template.label.side_mark else ("", MARKS[0])
    wholes, forms = range(fewest, most + 1), []
    for whole, decimals, mark, bar in product(wholes, DECIMALS, marks, (False, True)):
        text = "8" * whole + "." + "8" * decimals + mark
        try:
            label = lay_out(lettering, text, bar, template.label.height_mm)
        except LabelError:  # a lettering without some character
            continue
        forms.append(label)
        if template.case_mark is not None:
            height = template.case_mark.height_mm
            beside = lay_out(lettering.of_case_marks, "8", False, height)
            forms.append(replace(label, case_mark=beside))
    return tuple(forms)


def _read(face: Face, form: _Form) -> _Reading:
    held, view, aside = form.laid, face.view, form.aside(face.view)
    baseline = min(glyph.bottom for glyph in held.glyphs if glyph.char != BAR)
    places = [
        (_choices(glyph.char), (round(view.center[0] + glyph.left / view.pixel_mm) + aside,
                                round(view.center[1] + baseline / view.pixel_mm)))
        for glyph in held.glyphs if glyph.char != BAR
    ]
    right, up = _common_shift(face, places, round(ASIDE * held.height_mm / view.pixel_mm))
    shifted = tuple((chars, (at[0] + right, at[1] + up)) for chars, at in places)
    guesses = tuple(face.compared(chars).guess(at, CHAR_REACH) for chars, at in shifted)
    return _Reading(face, form, shifted, guesses, (right + aside, up))


def _choices(char: str) -> str:
    if char == "8":
        return DIGITS
    return MARKS if char in MARKS else char


def _common_shift(
    face: Face, places: list[tuple[str, tuple[int, int]]], reach: int
) -> tuple[int, int]:
    """Find by how much the whole label lies off its place, in pixels."""
    total = np.zeros((2 * reach + 1, 2 * reach + 1))
    for chars, at in places:
        total += face.compared(chars).scores_at(at, reach).max(axis=0)
    row, column = np.unravel_index(int(total.argmax()), total.shape)
    return int(column) - reach, int(row) - reach


def _beside(best: _Reading) -> float:
    """Give how much ink lies beside the label as laid out, as a share of its own.

    A case mark's place is left out.
    """
    view, shift, mark_from = best.view, best.shift, best.form.mark_from(best.view)
    grid = np.zeros(view.ink.shape)
    if mark_from is not None:
        grid[:, max(mark_from, 0) :] = 1.0
    own = 0.0
    for glyph in best.laid.glyphs:
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
    rivals = [rival_of(best.guesses, best.bar, template)]
    for other in readings:
        if other.text == best.text or best.gain - other.gain > LEAST_NATS:
            continue
        found = likeliest(other.guesses, other.bar, template)
        if found.text and found.text != best.text:
            rivals.append(Rival(found.text, best.gain - other.gain + found.nats))
    return min(rivals, key=lambda rival: rival.nats)


def _problem(best: _Reading, rival: Rival, template: RodTemplate) -> str:
    """Say why the best reading is not certain, or nothing."""
    view, stroke, chars = best.view, 0.1 * template.label.height_mm, best.matches()
    if max(one.score for one in chars) < LEAST_SCORE:
        if view.spacing_mm > 1.2 * stroke:
            return (
                f"the scan's points are {view.spacing_mm:.2f} mm apart on the label's face, too "
                f"coarse for strokes of {stroke:.2f} mm"
            )
        return f"no label is seen in the {100 * view.seen:.0f} % of its place that the scan shows"
    for number, char in enumerate(chars, start=1):
        if char.seen >= LEAST_CHAR_SEEN and char.score < LEAST_SCORE:
            return f"character {number} is not certainly {char.char}"
    if _beside(best) > MOST_BESIDE:
        return "there is more engraved in the face than the characters found"
    if view.seen < LEAST_FACE_SEEN:
        return f"its place is only {100 * view.seen:.0f} % in the scan"
    if rival.nats < LEAST_NATS:
        return _uncertain(best.text, chars, rival)
    length = best.text.rstrip(MARKS)
    share = _bar_seen(view, best.laid, best.shift)[0] if best.bar else 1.0
    if share < BAR_THERE:
        return f"a bar is seen under {100 * share:.0f} % of the label's length only"
    if needs_bar(length) != best.bar:
        state = "with" if best.bar else "without"
        return f"{length} {state} a bar under it is not a label: it may be upside down"
    return ""


def _uncertain(text: str, chars: Sequence[Match], rival: Rival) -> str:
    least = min(chars, key=lambda char: char.seen)
    seen = f"character {chars.index(least) + 1} is {100 * least.seen:.0f} % in the scan"
    return f"it may be {text} and it may be {rival.text}: {seen}"
