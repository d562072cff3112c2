"""The jaw from the side, held by the rods of one step, closed or opened."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from labkit.core.grading.prescription import JawModelName, Prescription
from labkit.core.grading.steps import Step
from labkit.core.jaw.posed import poses_of
from labkit.documents.jaw_picture import is_sketch, jaw_drawing
from labkit.documents.svg import on_screen
from labkit.errors import RefusedError
from labkit.units import millimetres
from labkit.workflow.sets.cases import Case
from labkit.workflow.sets.lengths_report import FULL_PERCENT, NOISE_PERCENT

#: Pixels of a millimetre, where the picture has room.
_PER_MM = 6.0
#: How far the mouth can be shown opened, mm.
MOST_DROP_MM = 15
#: Left and right rod of each step, mm.
Lengths = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class JawView:
    """What is shown of the jaw.

    Args:
        step: Number of the step, from 1.
        drop: How far the incisal point drops, mm.
        opens: Whether the jaw model knows how the mouth opens.
        steps: Each step's words.
        svg: The drawing; "" where the jaw has no such position.
        words: What is shown, or why nothing is.
        sketch: Whether the places of the anchor points are not recorded.
    """

    step: int
    drop: int
    opens: bool
    steps: tuple[str, ...]
    svg: str
    words: str
    sketch: bool


def jaw_view(case: Case, asked: Mapping[str, str]) -> JawView | None:
    """Draw a step of a case; None where there are no steps to be held.

    Args:
        asked: Step and drop as a page asks for them; what is none is taken for the start, closed.
    """
    steps = case.spacer_set.steps
    if not steps or case.refusals:
        return None
    start = next((number for number, step in enumerate(steps, 1) if step.start), 1)
    opens = case.prescription.jaw.model is JawModelName.HINGED
    number = _within(asked.get("at_step", ""), 1, len(steps), start)
    drop = _within(asked.get("at_drop", ""), 0, MOST_DROP_MM, 0) if opens else 0
    lengths = tuple((float(step.left.length), float(step.right.length)) for step in steps)
    svg, words = _drawn(case.prescription, lengths, number, drop)
    return JawView(
        number, drop, opens, tuple(step.name for step in steps), svg,
        f"Step {number}, {_rods(steps[number - 1])}: {words}", is_sketch(case.prescription),
    )


@lru_cache(maxsize=512)
def _drawn(prescription: Prescription, lengths: Lengths, number: int, drop: int) -> tuple[str, str]:
    """Give the drawing, and what is to be said of it."""
    try:
        path = poses_of(prescription, lengths)
        pose = path[number - 1]
        if drop:
            (pose,) = poses_of(prescription, lengths[number - 1 : number], float(drop))
    except RefusedError as error:
        return "", error.message
    words = f"{millimetres(pose.advancement_mm)} mm forward, {millimetres(pose.percent, 1)} %"
    if drop:
        beyond = ", beyond the maximum" if pose.percent > FULL_PERCENT + NOISE_PERCENT else ""
        words = f"with the mouth opened by {drop} mm at the incisors, {words}{beyond}"
    title = f"The jaw from its right side at step {number}: {words}"
    return on_screen(jaw_drawing(prescription, pose, title, path), per_mm=_PER_MM), words


def _rods(step: Step) -> str:
    left, right = step.left.label, step.right.label
    return f"rods {left}" if left == right else f"rods {left} left, {right} right"


def _within(text: str, low: int, high: int, otherwise: int) -> int:
    """Read a whole number of a slider."""
    if not text.isdecimal() or len(text) > len(str(high)):
        return otherwise
    return min(max(int(text), low), high)
