"""What the program asks of every kind of bar."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from typing import ClassVar

from labkit.core.label.lettering import Region
from labkit.core.numbers import Finite
from labkit.core.rod.building import Place, Underside, Way
from labkit.core.rod.fittings import Fitting, Mount
from labkit.core.rod.fittings.base import Problem
from labkit.core.rod.outlines import Loop
from labkit.core.rod.projected import ProjectedView

#: The lower and the upper fitting; the left and the right one where a reader looks at them.
Ends = tuple[Fitting, Fitting]


class Bar(Finite, ABC):
    """A bar between two fittings, symmetric to its middle but for the flat or fittings."""

    #: Its name in files.
    shape: ClassVar[str]
    #: Whether it is round about the rod's axis.
    turned: ClassVar[bool] = False
    #: Where supports may stand, if the template lets them.
    supportable: ClassVar[tuple[Place, ...]]

    @property
    @abstractmethod
    def words(self) -> str:
        """Its form and sizes, for people."""

    @abstractmethod
    def takes(self, fitting: Fitting) -> bool:
        """Tell whether a kind of fitting can stand on it."""

    @abstractmethod
    def check(self, ends: Ends) -> None:
        """Refuse sizes that do not make a part, at any length.

        Raises:
            GeometryError: One sentence for the first size that does not fit.
        """

    @abstractmethod
    def problems(self) -> Iterator[Problem]:
        """Find sizes in a template file that cannot go together in this bar."""

    @abstractmethod
    def end_problems(self, fitting: Fitting) -> Iterator[Problem]:
        """Find sizes of a fitting in a template file that do not go with those of this bar."""

    @property
    @abstractmethod
    def plate_mm(self) -> float:
        """Its thinnest section between the fittings, without the label."""

    @property
    @abstractmethod
    def height_across_mm(self) -> float:
        """Height between the fittings, along z."""

    @property
    @abstractmethod
    def outward_mm(self) -> float:
        """Distance of its outward side from the rod's middle."""

    @property
    @abstractmethod
    def label_level_mm(self) -> float:
        """Distance of the inward face, which bears the label, from the rod's middle."""

    @property
    @abstractmethod
    def label_height_mm(self) -> float:
        """Height of the area that may bear the label."""

    @property
    @abstractmethod
    def label_corner_mm(self) -> float:
        """Rounding of that area's corners; it reaches that much further than `keep_out_mm`."""

    @abstractmethod
    def keep_out_mm(self, fitting: Fitting) -> float:
        """Tell how far from its centre a fitting keeps the label's area away."""

    @abstractmethod
    def mounts(self, ends: Ends, length_mm: float) -> tuple[Mount, Mount]:
        """Tell where the fittings stand at −length/2 and +length/2."""

    @abstractmethod
    def bar_mm3(self, ends: Ends, length_mm: float) -> float:
        """Work out the volume of bar and bosses, without what the fittings add.

        Raises:
            GeometryError: A fitting that cannot stand on this bar.
        """

    @abstractmethod
    def faces(self, ends: Ends, length_mm: float) -> tuple[Region, ...]:
        """Outline what the rod covers in the front view, in parts that may overlap.

        Raises:
            GeometryError: The sizes leave no bar between the fittings.
        """

    @abstractmethod
    def front_view(self, ends: Ends, length_mm: float) -> ProjectedView:
        """Draw the edges without the label, seen from the inward side: x right, z up.

        Raises:
            GeometryError: The sizes leave no bar between the fittings.
        """

    @abstractmethod
    def top_view(self, ends: Ends, length_mm: float) -> ProjectedView:
        """Draw the edges seen from above: x right, the inward side downwards."""

    @abstractmethod
    def end_view(self, ends: Ends, length_mm: float) -> ProjectedView:
        """Draw the edges seen along the rod from its first end: the inward side right, z up."""

    @abstractmethod
    def section(self, ends: Ends, length_mm: float, x_mm: float) -> tuple[Loop, float]:
        """Cut across the rod; the inward side right, z up.

        Returns:
            The outline without the inward face, and half the height of that face.
        """

    @abstractmethod
    def undersides(
        self, way: Way, ends: Ends, length_mm: float, flat_share: float
    ) -> Iterator[Underside]:
        """Find what of bar and bosses faces the bed while it is built, the lower end at −x.

        Args:
            flat_share: Sine of the angle above which an underside carries itself: of a cylinder or
                ball of radius r it is flatter up to r · flat_share from its lowest line or point.
        """

    def mounted(self, ends: Ends, length_mm: float) -> Iterator[tuple[Fitting, Mount]]:
        """Give each fitting with its place, the first end's first."""
        return zip(ends, self.mounts(ends, length_mm), strict=True)
