"""What the program asks of every kind of end fitting."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import ClassVar, Self

from labkit.core.form.keys import Key, matching
from labkit.core.numbers import Finite
from labkit.core.rod.building import Underside, Way
from labkit.core.rod.projected import ProjectedView
from labkit.core.rod.tolerances import CLASSES_ALLOWED, FIT_PATTERN, SizeLimits, fit_limits

#: The limits of a fitting's surface.
FIT = Key("ISO 286-1 class, or limits in mm", CLASSES_ALLOWED, holds=matching(FIT_PATTERN))
#: Gauge pins are not larger than marked and at most this much smaller, where their file does not
#: tell (class "ZZ minus" of the pin makers, 0.0002 in; from memory of ASME B89.1.5).
PIN_TOLERANCE_MM = Decimal("0.005")
#: A key of a file, and what is wrong with it.
Problem = tuple[str, str]


@dataclass(frozen=True)
class Wall(Finite):
    """A section that must not be too thin.

    Args:
        place: Its key in a process's [walls].
        what: It in words.
    """

    place: str
    what: str
    thickness_mm: float


@dataclass(frozen=True)
class Mount(Finite):
    """Where a fitting stands on its bar, in the rod frame or a reader's.

    Args:
        x_mm: Its centre.
        face_mm: Distance of its boss's faces from the rod's middle.
        end_mm: x at which the bar ends behind it: the outermost point of its boss, or where its
            neck meets the bar.
    """

    x_mm: float
    face_mm: float
    end_mm: float

    @property
    def inward(self) -> float:
        """Sign of the way from the fitting to the rod's middle, along x."""
        return 1.0 if self.x_mm < 0.0 else -1.0

    def across_mm(self, way: Way) -> float:
        """Height of its centre above the rod's middle as the rod lies."""
        return self.x_mm if way is Way.UPRIGHT else 0.0


class EndFitting(Finite, ABC):
    """An end fitting, seen from its centre; a kind is a `BossFitting` or a `NeckFitting`."""

    #: Its name in files.
    kind: ClassVar[str]
    #: What is measured on it, for people.
    noun: ClassVar[str]
    #: The surface that is made to its fit, as processes and coupons call it.
    surface: ClassVar[str]
    #: Letter of that surface's diameter in formulas.
    symbol: ClassVar[str]
    #: What to look for on a part as built.
    look_for: ClassVar[str]
    #: Whether jaws reach that surface only below a lip.
    lipped: ClassVar[bool] = False
    #: Whether one looks through it from the front.
    bored: ClassVar[bool] = False

    fit: str

    @property
    @abstractmethod
    def diameter_mm(self) -> float:
        """Diameter of the surface that is made to its fit."""

    @property
    @abstractmethod
    def rest(self) -> str:
        """Its sizes beside that diameter, for people."""

    @abstractmethod
    def with_diameter(self, diameter_mm: float) -> Self:
        """Give the same fitting with another diameter of that surface."""

    @abstractmethod
    def check(self) -> None:
        """Refuse sizes that do not make a fitting, whatever it stands on.

        Raises:
            GeometryError: One sentence for the first size that does not fit.
        """

    def problems(self) -> Iterator[Problem]:
        """Find sizes in a template file that cannot go together in this fitting."""
        yield from ()

    @property
    @abstractmethod
    def reach_mm(self) -> float:
        """How far it reaches beyond its centre, along the rod and across it."""

    @property
    @abstractmethod
    def walls(self) -> tuple[Wall, ...]:
        """Its thinnest sections, each by the place that it is at."""

    @property
    def stands_out_mm(self) -> float:
        """How far it stands out of the bar's inward face."""
        return 0.0

    @property
    def overhang_mm(self) -> float:
        """How far it reaches over the inward face, beyond its radius there."""
        return 0.0

    @abstractmethod
    def added_mm3(self, mount: Mount) -> float:
        """Give the volume that it adds to bar and boss, below 0 where it takes away."""

    @abstractmethod
    def front_view(self, mount: Mount) -> ProjectedView:
        """Draw its edges beside those of bar and boss: from the inward side, x right, z up."""

    @abstractmethod
    def top_view(self, mount: Mount) -> ProjectedView:
        """Draw its edges beside those of bar and boss: from above, x right, inward side down."""

    @abstractmethod
    def end_view(self, mount: Mount) -> ProjectedView:
        """Draw its edges beside those of bar and boss: along the rod, inward side right, z up."""

    @abstractmethod
    def undersides(self, way: Way, mount: Mount, flat_share: float) -> Iterator[Underside]:
        """Find what it adds to the undersides of bar and boss while the rod is built.

        Args:
            flat_share: As for a bar.
        """

    @property
    def limits(self) -> SizeLimits:
        """Limits of size of the surface that is made to its fit."""
        return fit_limits(self.fit, self.diameter_mm)

    @property
    def aim_mm(self) -> float:
        """Diameter that a part is to have: the middle of its limits, not the nominal size.

        A part built at its nominal size would stand at one end of its limits, or outside of them.
        """
        return float(self.limits.middle_mm)

    @property
    def aimed(self) -> Self:
        """The same fitting with the diameter that a part is to have."""
        return self.with_diameter(self.aim_mm)

    @property
    def gauge_pin_mm(self) -> Decimal | None:
        """The gauge pin that stands for it when it is measured, None where it is touched itself."""
        return None

    @property
    def no_go_pin_mm(self) -> Decimal | None:
        """The gauge pin that must not enter, None where there is nothing to enter."""
        return None

    def outer_bounds(
        self, pin_tolerance_mm: Decimal = PIN_TOLERANCE_MM,  # noqa: ARG002 (touched, no pin)
    ) -> tuple[Decimal, Decimal]:
        """Bound how far the outer contact lies outside of its centre.

        Args:
            pin_tolerance_mm: How far below its mark a gauge pin may be, where one stands for it.

        Returns:
            Least and greatest distance, mm, over the size's own limits.
        """
        return self.limits.least_mm / 2, self.limits.most_mm / 2

    def contact_mm(self, measured_mm: Decimal) -> Decimal:
        """Give the distance of the outer contact from its centre, from its measured diameter."""
        return measured_mm / 2

    def term(self, sign: str, times: int) -> str:
        """Write what it takes off or puts onto a reading, in symbols.

        Args:
            sign: "−" over the fittings, "+" between them.
            times: 2 for two alike fittings, which touch by a diameter together, else 1.
        """
        return f"{sign} {self.symbol}{'' if times > 1 else ' / 2'}"


class BossFitting(EndFitting):
    """A fitting in or on a disc boss, axis y, which is part of the bar's outline."""

    boss_diameter_mm: float

    @property
    def reach_mm(self) -> float:
        """Radius of the boss."""
        return self.boss_diameter_mm / 2

    @property
    def root_mm(self) -> float:
        """Radius of a fillet round its foot on the inward face."""
        return 0.0

    @property
    def foot_mm(self) -> float:
        """Radius of what it takes of the inward face."""
        return self.diameter_mm / 2 + self.root_mm


class NeckFitting(EndFitting):
    """A fitting on a round neck about x, which stands on the bar's end."""

    neck_diameter_mm: float
    neck_length_mm: float
