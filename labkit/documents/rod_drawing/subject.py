"""What is drawn: one rod of the set, its sizes as the reader of its inward face sees them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.profiles import Profile, profile_of
from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Engraving
from labkit.core.label.place import label_space
from labkit.core.rod.projected import ViewRequest
from labkit.core.rod.rods import Ball, Crosspin, Fitting, FlatBar, Hand, Rod, RoundBar
from labkit.documents.rod_values import rod_of, template_of
from labkit.errors import InputError


@dataclass(frozen=True)
class End:
    """One end as the reader sees it.

    Args:
        side: -1 at the reader's left, +1 at the right.
        u_mm: Place of the fitting's centre.
    """

    side: int
    u_mm: float
    fitting: Fitting

    @property
    def reach_mm(self) -> float:
        """How far the end reaches past the fitting's centre."""
        one = self.fitting
        return (one.ball_diameter_mm if isinstance(one, Ball) else one.boss_diameter_mm) / 2


@dataclass(frozen=True)
class Subject:
    """The rod that is drawn.

    Args:
        spec: Content of spacer-set.json.
        ends: Left and right end.
        label_u_mm: Centre of the label along the rod.
        from_left: Whether the side view is that from the left: from the end with a pin.
    """

    spec: Mapping[str, Any]
    profile: Profile
    part: Mapping[str, Any]
    rod: Rod
    label: Engraving
    ends: tuple[End, End]
    label_u_mm: float
    from_left: bool

    @property
    def length_mm(self) -> float:
        """Functional length as drawn."""
        return float(self.rod.length)

    @property
    def lower(self) -> End:
        """The end with the lower fitting."""
        return self.ends[0 if self.rod.hand is Hand.MINUS_Y else 1]

    @property
    def half_height_mm(self) -> float:
        """Half of the part's height in the front view."""
        body = self.rod.template.body
        bar = body.height_mm if isinstance(body, FlatBar) else body.diameter_mm
        return max(bar / 2, *(end.reach_mm for end in self.ends))

    @property
    def bar_half_mm(self) -> float:
        """Half of the bar's height in the front view."""
        body = self.rod.template.body
        return (body.height_mm if isinstance(body, FlatBar) else body.diameter_mm) / 2

    @property
    def inward_mm(self) -> float:
        """How far the part reaches inward from its axis (n)."""
        reaches = [self.body_inward_mm]
        for end in self.ends:
            one = end.fitting
            if isinstance(one, Crosspin):
                reaches.append(self.face_mm + one.pin_length_mm + one.lip_thickness_mm)
            elif isinstance(one, Ball):
                reaches.append(one.ball_diameter_mm / 2)
        return max(reaches)

    @property
    def outward_mm(self) -> float:
        """How far the part reaches outward from its axis (−n)."""
        body = self.rod.template.body
        return (body.thickness_mm if isinstance(body, FlatBar) else body.diameter_mm) / 2

    @property
    def body_inward_mm(self) -> float:
        """How far the bar itself reaches inward."""
        return self.face_mm

    @property
    def face_mm(self) -> float:
        """Give n of the face that bears the label."""
        body = self.rod.template.body
        if isinstance(body, RoundBar):
            return body.diameter_mm / 2 - body.flat_depth_mm
        return body.thickness_mm / 2

    @property
    def section_u_mm(self) -> float:
        """Where the rod is cut across: through the middle of the label's first character."""
        first = self.label.glyphs[0]
        return self.label_u_mm + (first.left + first.right) / 2

    @property
    def request(self) -> ViewRequest:
        """What the views have to be made from."""
        return ViewRequest(
            self.rod.hand, self.from_left, self.section_u_mm, self.face_mm,
            self.rod.template.label.depth_mm,
        )


def subject_of(spec: Mapping[str, Any]) -> Subject:
    """Choose the rod of a set that is drawn: the left one of the starting step.

    Of rods in place of others, where that one is not among them, the first.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        The rod; without a starting step that of the middle step.

    Raises:
        InputError: The content is not that of a set.
    """
    steps = spec["lengths"]["steps"]
    starts = [number for number, step in enumerate(steps, 1) if step["start"]]
    wanted = starts[0] if starts else (len(steps) + 1) // 2
    part = next(
        (
            one for one in spec["parts"] for use in one["uses"]
            if use["step"] == wanted and use["side"] == "left"
        ),
        spec["parts"][0] if spec.get("replaces") else None,
    )
    if part is None:
        raise InputError(
            f"step {wanted} of the set has no left rod to draw; use the spacer-set.json that "
            "`labkit make` wrote, unchanged", field="parts", value=wanted,
        )
    template = template_of(spec)
    rod = rod_of(part, template)
    hand = rod.hand
    fittings = (template.lower, template.upper)
    left, right = fittings if hand is Hand.MINUS_Y else fittings[::-1]
    half = float(rod.length) / 2
    label = lay_out(load_lettering(), rod.engraving, rod.bar, template.label.height_mm)
    center = -hand.inward_y * label_space(template, float(rod.length)).center_x_mm
    return Subject(
        spec=spec,
        profile=profile_of(spec),
        part=part,
        rod=rod,
        label=label,
        ends=(End(-1, -half, left), End(1, half, right)),
        label_u_mm=center,
        from_left=not isinstance(right, Crosspin),
    )


def step_file(spec: Mapping[str, Any]) -> str:
    """Name the STEP file that the drawing is made from, relative to the set."""
    return str(subject_of(spec).part["files"]["step"])
