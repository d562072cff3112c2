"""The reader's frame of a part: u to the reader's right, v up, n out of the inward face."""

from __future__ import annotations

from dataclasses import dataclass

from OCP.gp import gp_Ax2, gp_Ax3, gp_Dir, gp_Pnt

from labkit.core.rod.rods import Hand

Vector = tuple[float, float, float]


@dataclass(frozen=True)
class ReaderFrame:
    """Turns the reader's coordinates of the inward face into the rod frame.

    Someone who looks at the inward face with z up sees u to the right and v up; n comes out of
    the face. Both hands are right-handed frames, so nothing built in (u, v, n), the text
    included, is ever mirrored.

    Formula: x = −i u, y = i n, z = v, where i is the sign of the inward direction along y.
    """

    hand: Hand

    def point(self, u: float, v: float, n: float) -> gp_Pnt:
        """Make a kernel point in the rod frame.

        Args:
            u: To the reader's right, mm.
            n: Out of the inward face, mm.

        >>> point = ReaderFrame(Hand.PLUS_Y).point(1.0, 2.0, 3.0)
        >>> point.X(), point.Y(), point.Z()
        (-1.0, 3.0, 2.0)
        """
        return gp_Pnt(*self._to_rod(u, v, n))

    def direction(self, u: float, v: float, n: float) -> gp_Dir:
        """Make a kernel direction in the rod frame.

        Args:
            u: Component to the reader's right; not all three are 0.
            n: Component out of the inward face.

        Returns:
            The unit direction.
        """
        return gp_Dir(*self._to_rod(u, v, n))

    def _to_rod(self, u: float, v: float, n: float) -> Vector:
        i = self.hand.inward_y
        return (-i * u, i * n, v)

    def axes(self, origin: Vector, main: Vector, first: Vector) -> gp_Ax3:
        """Make a kernel coordinate system.

        Args:
            origin: Its origin, (u, v, n) in mm.
            main: Direction of its z, (u, v, n).
            first: Direction of its x, (u, v, n).

        Returns:
            The right-handed system in the rod frame.
        """
        return gp_Ax3(self.point(*origin), self.direction(*main), self.direction(*first))

    def circle_axes(self, origin: Vector, main: Vector, first: Vector) -> gp_Ax2:
        """Make the kernel's coordinate system that circles stand in.

        Args:
            origin: Centre of the circle, (u, v, n) in mm.
            main: Direction of its axis, (u, v, n).
            first: Direction in which its parameter is 0, (u, v, n).

        Returns:
            The right-handed system in the rod frame.
        """
        return gp_Ax2(self.point(*origin), self.direction(*main), self.direction(*first))
