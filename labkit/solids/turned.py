"""What turns about the rod's axis: spheres, circles and necks of one end."""

from __future__ import annotations

from dataclasses import dataclass

from OCP.Geom import Geom_Circle, Geom_SphericalSurface
from OCP.TopoDS import TopoDS_Edge, TopoDS_Vertex

from labkit.solids.frame import ReaderFrame, Vector
from labkit.solids.topology import FULL_TURN, make_edge, make_vertex


@dataclass(frozen=True)
class TurnedEnd:
    """One end of a rod: it looks along a = side · u.

    Angles run right-handed about a, from the outward side (−n).

    Args:
        side: -1 for the left end, +1 for the right one.
    """

    frame: ReaderFrame
    side: int

    @property
    def axis(self) -> Vector:
        """The way out of the bar, (u, v, n)."""
        return (float(self.side), 0.0, 0.0)

    def circle(self, u: float, radius: float) -> Geom_Circle:
        """Give a circle about the axis."""
        axes = self.frame.circle_axes((u, 0.0, 0.0), self.axis, (0.0, 0.0, -1.0))
        return Geom_Circle(axes, radius)

    def closed_circle(self, u: float, radius: float) -> tuple[TopoDS_Vertex, TopoDS_Edge]:
        """Make a whole circle about the axis, and the vertex on the outward side it starts at."""
        vertex = make_vertex(self.frame.point(u, 0.0, -radius))
        return vertex, make_edge(self.circle(u, radius), (vertex, vertex), (0.0, FULL_TURN))

    def meridian(self, u: float, radius: float) -> Geom_Circle:
        """Give a sphere's great circle of the outward side, from the equator towards the axis."""
        main = (0.0, -float(self.side), 0.0)
        return Geom_Circle(self.frame.circle_axes((u, 0.0, 0.0), main, (0.0, 0.0, -1.0)), radius)

    def sphere(self, u: float, radius: float) -> Geom_SphericalSurface:
        """Give a sphere on the axis."""
        axes = self.frame.axes((u, 0.0, 0.0), self.axis, (0.0, 0.0, -1.0))
        return Geom_SphericalSurface(axes, radius)
