"""Hidden-line views of a solid through the kernel: the second road to the closed views."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labkit.core.label.lettering import Piece, Point2
from labkit.core.numbers import require_finite
from labkit.core.rod.curves import at, box
from labkit.core.rod.projected import ProjectedView, RodViews
from labkit.core.rod.rods import Hand
from labkit.errors import GeometryError
from tests.support.flat_edges import merged, piece_through, without
from tests.support.kernel_step import read_shape

#: An edge lies on the contour if a look past it at this distance meets nothing.
PAST_EDGE_MM = 2e-3
#: Points taken on an edge to tell what curve its projection is.
STATIONS = 33
#: Slack within which an edge counts as inside the label's pockets.
LABEL_SLACK_MM = 1e-6
#: An edge seen end on is a point, no wider than this.
POINT_MM = 1e-6

Vector = tuple[float, float, float]
#: Direction from the part to the viewer and direction to the right of the sheet, in (u, v, n).
_FRONT = ((0.0, 0.0, 1.0), (1.0, 0.0, 0.0))
_TOP = ((0.0, 1.0, 0.0), (1.0, 0.0, 0.0))
_LEFT = ((-1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
_RIGHT = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0))


@dataclass(frozen=True)
class ViewRequest:
    """What has to be known of a rod to look at it.

    Args:
        hand: Which way its inward face looks.
        from_left: Whether the side view is that from the reader's left.
        section_u_mm: Where it is cut across, u of the reader's frame.
        label_height_mm: n of the face that bears the label.
        label_depth_mm: Depth of the label, whose hidden edges are left out.
    """

    hand: Hand
    from_left: bool
    section_u_mm: float
    label_height_mm: float
    label_depth_mm: float

    def __post_init__(self) -> None:
        require_finite(self)


def views_of(step: Path, request: ViewRequest) -> RodViews:
    """Project the solid of a STEP file of the set.

    Args:
        step: STEP file of one rod, in the rod frame.
        request: Its hand, where to cut it, and the place of its label.

    Returns:
        Three views and a section, in mm.

    Validity: rods as this program builds them: every edge that is drawn is a line or a circle
    seen square on or edge on, and every contour a line or an arc.

    Raises:
        InputError: The file is not whole or holds no solid.
        GeometryError: An edge whose projection is neither a line nor an arc.

    Source: ISO 128-3:2020 (visible and hidden edges; smooth transitions are not drawn).
    """
    return views_of_solid(read_shape(step), request)


def views_of_solid(shape: Any, request: ViewRequest) -> RodViews:
    """Project a solid.

    Args:
        shape: Kernel shape of one rod, in the rod frame; it is left as it was.
        request: Its hand, where to cut it, and the place of its label.

    Returns:
        Three views and a section, in mm.

    Validity: rods as this program builds them: every edge that is drawn is a line or a circle
    seen square on or edge on, and every contour a line or an arc.

    Raises:
        GeometryError: An edge whose projection is neither a line nor an arc.
    """
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Copy
    from OCP.BRepLib import BRepLib

    # Which edges are smooth is written into the shape: into a copy, the part stays as it was.
    shape = BRepBuilderAPI_Copy(shape).Shape()
    BRepLib.EncodeRegularity_s(shape)
    side = _LEFT if request.from_left else _RIGHT
    front, top, end = (_Viewer(shape, request, *look).view() for look in (_FRONT, _TOP, side))
    return RodViews(front, top, end, _section(shape, request))


class _Viewer:
    """Looks at a shape from one side.

    Args:
        shape: Kernel shape in the rod frame.
        request: Hand and label of the rod.
        toward: Direction to the viewer in (u, v, n).
        right: Direction to the right of the sheet in (u, v, n).
    """

    def __init__(self, shape: Any, request: ViewRequest, toward: Vector, right: Vector) -> None:
        from OCP.gp import gp_Ax2, gp_Pnt
        from OCP.IntCurvesFace import IntCurvesFace_ShapeIntersector

        self._shape = shape
        self._request = request
        self._edge_on = toward[2] == 0.0
        self._across = 1.0 if toward[0] < 0.0 else -1.0
        self._sideways = toward[0] != 0.0
        self._axes = gp_Ax2(
            gp_Pnt(0, 0, 0), _direction(request, toward), _direction(request, right)
        )
        self._rays = IntCurvesFace_ShapeIntersector()
        self._rays.Load(shape, 1e-7)

    def view(self) -> ProjectedView:
        """Project, sort out what is drawn, and draw each edge once."""
        sharp, smooth, hidden, hidden_smooth = self._groups()
        contour = [p for p in merged([*smooth, *hidden, *hidden_smooth]) if self._is_contour(p)]
        visible = merged([*sharp, *contour])
        behind = [piece for piece in hidden if not self._in_label(piece)]
        return ProjectedView(tuple(visible), tuple(without(merged(behind), visible)))

    def _groups(self) -> tuple[list[Piece], list[Piece], list[Piece], list[Piece]]:
        """Give sharp and smooth visible edges, then sharp and smooth hidden ones."""
        from OCP.HLRAlgo import HLRAlgo_Projector
        from OCP.HLRBRep import HLRBRep_Algo, HLRBRep_HLRToShape

        algorithm = HLRBRep_Algo()
        algorithm.Add(self._shape)
        algorithm.Projector(HLRAlgo_Projector(self._axes))
        algorithm.Update()
        algorithm.Hide()
        found = HLRBRep_HLRToShape(algorithm)
        return (
            _pieces(found.VCompound(), True) + _pieces(found.OutLineVCompound(), True),
            _pieces(found.Rg1LineVCompound(), False),
            _pieces(found.HCompound(), True) + _pieces(found.OutLineHCompound(), True),
            _pieces(found.Rg1LineHCompound(), False),
        )

    def _is_contour(self, piece: Piece) -> bool:
        """Tell whether one side of an edge's middle is free of material all along the view.

        The kernel takes some pieces of the contour for hidden (where a near and a far boss
        project onto one another) and all of a rounded outline for smooth.
        """
        (ax, ay), (bx, by) = at(piece, 0.499), at(piece, 0.501)
        past = PAST_EDGE_MM / math.dist((ax, ay), (bx, by))
        nx, ny = (ay - by) * past, (bx - ax) * past
        x, y = at(piece, 0.5)
        return self._is_free((x + nx, y + ny)) or self._is_free((x - nx, y - ny))

    def _is_free(self, point: Point2) -> bool:
        from OCP.gp import gp_Lin, gp_Vec

        start = self._axes.Location().Translated(
            gp_Vec(self._axes.XDirection()) * point[0] + gp_Vec(self._axes.YDirection()) * point[1]
        )
        self._rays.Perform(gp_Lin(start, self._axes.Direction()), -1e6, 1e6)
        return bool(self._rays.NbPnt() == 0)

    def _in_label(self, piece: Piece) -> bool:
        """Tell whether a hidden edge lies between the label's face and the floor of its pockets."""
        if not self._edge_on:
            return False
        left, right, bottom, top = box((piece,))
        low, high = (left, right) if self._sideways else (bottom, top)
        depths = sorted(self._across * n for n in (low, high))
        face = self._request.label_height_mm
        floor = face - self._request.label_depth_mm
        return floor - LABEL_SLACK_MM <= depths[0] and depths[1] <= face + LABEL_SLACK_MM


def _direction(request: ViewRequest, uvn: Vector) -> Any:
    from OCP.gp import gp_Dir

    i = request.hand.inward_y
    return gp_Dir(-i * uvn[0], i * uvn[2], uvn[1])


def _pieces(compound: Any, must: bool) -> list[Piece]:
    """Read the edges of a projected group as lines and arcs.

    Args:
        compound: Group of edges in the plane of projection, or None.
        must: Whether a curve of another kind is an error; else it is left out (smooth edges that
            are no contour are not drawn anyway).
    """
    from OCP.BRepLib import BRepLib

    if compound is None or compound.IsNull():
        return []
    BRepLib.BuildCurves3d_s(compound)
    found = []
    for points in _sampled(compound):
        flat = [(x, y) for x, y, _ in points]
        piece = piece_through(flat)
        if piece is not None:
            found.append(piece)
        elif must and max(math.dist(flat[0], point) for point in flat) > POINT_MM:
            raise GeometryError(
                f"an edge from {flat[0]} to {flat[-1]} is neither a line nor an arc in this view; "
                "a drawing cannot show it exactly"
            )
    return found


def _sampled(compound: Any) -> Iterator[list[Vector]]:
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    walk = TopExp_Explorer(compound, TopAbs_ShapeEnum.TopAbs_EDGE)
    while walk.More():
        curve = BRepAdaptor_Curve(TopoDS.Edge_s(walk.Current()))
        first, last = curve.FirstParameter(), curve.LastParameter()
        steps = [first + (last - first) * i / (STATIONS - 1) for i in range(STATIONS)]
        yield [(p.X(), p.Y(), p.Z()) for p in map(curve.Value, steps)]
        walk.Next()


def _section(shape: Any, request: ViewRequest) -> tuple[Piece, ...]:
    """Cut the shape across its length; pieces in x = n, y = v."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Section
    from OCP.gp import gp_Dir, gp_Pln, gp_Pnt

    i = request.hand.inward_y
    plane = gp_Pln(gp_Pnt(-i * request.section_u_mm, 0, 0), gp_Dir(1, 0, 0))
    cut = BRepAlgoAPI_Section(shape, plane, False)
    cut.Build()
    pieces = [piece_through([(i * y, z) for _, y, z in points]) for points in _sampled(cut.Shape())]
    found = merged([piece for piece in pieces if piece is not None])
    if not found:
        raise GeometryError(
            f"a cut at {request.section_u_mm:g} mm from the middle meets no material; cut the rod "
            "between its fittings", field="section_u_mm", value=request.section_u_mm,
        )
    return tuple(found)
