"""What is drawn: one rod of the set, its sizes as the reader of its inward face sees them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.profiles import Profile, profile_of
from labkit.core.label.lettering import Engraving
from labkit.core.rod.curves import box
from labkit.core.rod.fittings import Fitting, Mount
from labkit.core.rod.projected import RodViews
from labkit.core.rod.rods import Hand, Rod
from labkit.core.rod.views import SeenLabel, rod_views, seen_ends
from labkit.documents.set_spec import Spec, rod_of, template_of
from labkit.errors import InputError


@dataclass(frozen=True)
class End:
    """One end as the reader sees it.

    Args:
        side: -1 at the reader's left, +1 at the right.
    """

    side: int
    fitting: Fitting
    mount: Mount

    @property
    def u_mm(self) -> float:
        """Place of the fitting's centre."""
        return self.mount.x_mm

    @property
    def reach_mm(self) -> float:
        """How far the end reaches past the fitting's centre."""
        return self.fitting.reach_mm


@dataclass(frozen=True)
class Subject:
    """The rod that is drawn.

    Args:
        ends: Left and right end.
        from_left: Whether the side view is that from the left: from the end with a pin.
        section_u_mm: Where the rod is cut across: through the middle of the label's first
            character.
    """

    spec: Spec
    profile: Profile
    part: Mapping[str, Any]
    rod: Rod
    seen: SeenLabel
    ends: tuple[End, End]
    from_left: bool
    section_u_mm: float
    views: RodViews

    @property
    def label(self) -> Engraving:
        """The label about its middle."""
        return self.seen.engraving

    @property
    def label_u_mm(self) -> float:
        """Centre of the label along the rod."""
        return self.seen.center_u_mm

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
        return box(self.views.front.seen)[3]

    @property
    def bar_half_mm(self) -> float:
        """Half of the bar's height in the front view."""
        return self.rod.template.body.height_across_mm / 2

    @property
    def inward_mm(self) -> float:
        """How far the part reaches inward from its axis (n)."""
        return -box(self.views.top.seen)[2]

    @property
    def outward_mm(self) -> float:
        """How far the part reaches outward from its axis (−n)."""
        return box(self.views.top.seen)[3]

    @property
    def face_mm(self) -> float:
        """Give n of the face that bears the label."""
        return self.rod.template.body.label_level_mm


def alike(ends: tuple[End, ...]) -> bool:
    """Tell whether one dimension stands for all of several ends."""
    return len(ends) > 1 and len({end.fitting for end in ends}) == 1


def subject_of(spec: Spec) -> Subject:
    """Choose the rod of a set that is drawn: the left one of the starting step.

    Of rods in place of others, where that one is not among them, the first.

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
    left, right = (End(side, *end) for side, end in zip((-1, 1), seen_ends(rod), strict=True))
    from_left, seen = not right.fitting.lipped, SeenLabel.of(rod, load_lettering())
    first = seen.engraving.glyphs[0]
    section = seen.center_u_mm + (first.left + first.right) / 2
    return Subject(
        spec=spec,
        profile=profile_of(spec),
        part=part,
        rod=rod,
        seen=seen,
        ends=(left, right),
        from_left=from_left,
        section_u_mm=section,
        views=rod_views(rod, seen, from_left=from_left, section_u_mm=section),
    )
