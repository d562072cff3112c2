"""The reader's frame of a part: u to the reader's right, v up, n out of the inward face."""

from __future__ import annotations

from dataclasses import dataclass

from OCP.gp import gp_Ax2, gp_Ax3, gp_Dir, gp_Pnt

from labkit.core.rods import Hand

Vector = tuple[float, float, float]


@dataclass(frozen=True)
class ReaderFrame:
    """Turns the reader's coordinates of the inward face into the rod frame.

    Someone who looks at the inward face with z up sees u to the right and v up; n comes out of
    the face. Both hands are right-handed frames, so nothing built in (u, v, n), the text
    included, is ever mirrored.

    Formula: x = −i u, y = i n, z = v, where i is the sign of the inward direction along y.

    Args:
        hand: Which way the inward face looks.
    """

    hand: Hand

    def to_rod(self, uvn: Vector) -> Vector:
        """Turn a point or direction into the rod frame.

        >>> ReaderFrame(Hand.MINUS_Y).to_rod((1.0, 2.0, 3.0))
        (1.0, -3.0, 2.0)
        >>> ReaderFrame(Hand.PLUS_Y).to_rod((1.0, 2.0, 3.0))
        (-1.0, 3.0, 2.0)
        """
        u, v, n = uvn
        i = self.hand.inward_y
        return (-i * u, i * n, v)

    def point(self, u: float, v: float, n: float) -> gp_Pnt:
        """Make a kernel point."""
        i = self.hand.inward_y
        return gp_Pnt(-i * u, i * n, v)

    def direction(self, u: float, v: float, n: float) -> gp_Dir:
        """Make a kernel direction."""
        i = self.hand.inward_y
        return gp_Dir(-i * u, i * n, v)

    def axes(self, origin: Vector, main: Vector, first: Vector) -> gp_Ax3:
        """Make a kernel coordinate system from origin, main (z) and first (x) direction."""
        return gp_Ax3(self.point(*origin), self.direction(*main), self.direction(*first))

    def circle_axes(self, origin: Vector, main: Vector, first: Vector) -> gp_Ax2:
        """Make the kernel's right-handed coordinate system that circles stand in."""
        return gp_Ax2(self.point(*origin), self.direction(*main), self.direction(*first))
