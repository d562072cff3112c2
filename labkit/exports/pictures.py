"""Shaded pictures of rods and sets as PNG files, without a screen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from labkit.core.by_length import columns_by_length
from labkit.errors import DeliveryError
from labkit.exports.shading import ShadedMesh, ShownRod, arrays, poly_data, shaded

#: Pixels for each millimetre in the finished picture: a 2.5 mm digit is 60 pixels high.
PIXELS_PER_MM = 24.0
#: A set is drawn smaller, so that 28 rods stay a picture and not a poster.
SET_PIXELS_PER_MM = 14.0
#: Each pixel is the mean of this many squared: smooth edges, and no driver's own smoothing.
_OVERSAMPLING = 2
#: Graphics drivers refuse larger pictures than this; larger sets are drawn smaller.
_MOST_PIXELS = 8000
_MARGIN_MM = 3.0
_GAP_MM = (7.0, 4.0)
#: The reader looks down by this much from the normal of the face, so that depth is seen.
_TILT_DEG = 27.0
_MATERIAL = (0.97, 0.95, 0.90)
_INK = (0.16, 0.15, 0.14)
#: Direction to each light in the reader's coordinates, and its strength.
_LIGHTS = (((-0.6, 0.8, 1.0), 0.80), ((0.8, -0.1, 1.0), 0.32), ((0.0, -1.0, 0.3), 0.12))

Placed = list[tuple[ShadedMesh, tuple[float, float]]]


def rod_png(shown: ShownRod) -> bytes:
    """Picture one rod, its label towards the reader.

    Args:
        shown: Rod and mesh.

    Returns:
        A PNG file; the same bytes for the same rod on the same graphics driver.

    Raises:
        DeliveryError: The machine has no driver that can draw without a screen.
    """
    return _png([(shaded(shown), (0.0, 0.0))], PIXELS_PER_MM)


def set_png(rods: Sequence[ShownRod]) -> bytes:
    """Picture a set by length, longest first; mirror parts left and right beside one another.

    Args:
        rods: Each rod of the set once.

    Returns:
        A PNG file; the same bytes for the same set on the same graphics driver.

    Raises:
        DeliveryError: The machine has no driver that can draw without a screen.
    """
    return _png(placed_by_length(rods), SET_PIXELS_PER_MM)


def placed_by_length(rods: Sequence[ShownRod]) -> Placed:
    """Lay rods out in the reader's plane, their left ends below one another.

    Args:
        rods: Each rod of the set once.

    Returns:
        Meshes in the order of `rods`, with the shift (right, up) of each, mm.
    """
    meshes = [shaded(shown) for shown in rods]
    boxes = [(mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)) for mesh in meshes]
    widest = max(float(high[0] - low[0]) for low, high in boxes)
    highest = max(float(high[1] - low[1]) for low, high in boxes)
    shifts: dict[int, tuple[float, float]] = {}
    for column, places in enumerate(columns_by_length([shown.rod for shown in rods])):
        for row, place in enumerate(places):
            left = column * (widest + _GAP_MM[0]) - float(boxes[place][0][0])
            shifts[place] = (left, -row * (highest + _GAP_MM[1]))
    return [(mesh, shifts[place]) for place, mesh in enumerate(meshes)]


def _png(placed: Placed, pixels_per_mm: float) -> bytes:
    # Imported first: it brings the drawing classes that renderers and mappers are made of. Without
    # them the picture stays black and nobody says so.
    import vtkmodules.vtkRenderingOpenGL2  # noqa: F401
    from vtkmodules.vtkCommonCore import vtkLogger
    from vtkmodules.vtkRenderingCore import vtkRenderer

    renderer = vtkRenderer()
    renderer.SetBackground(1.0, 1.0, 1.0)
    for mesh, shift in placed:
        for actor in _actors(mesh, shift):
            renderer.AddActor(actor)
    _light(renderer)
    before = vtkLogger.GetCurrentVerbosityCutoff()
    # What a driver has to say goes into our own sentence, not onto the terminal.
    vtkLogger.SetStderrVerbosity(vtkLogger.VERBOSITY_OFF)
    try:
        return _drawn(renderer, _camera(renderer, placed), pixels_per_mm)
    finally:
        vtkLogger.SetStderrVerbosity(before)


def _actors(mesh: ShadedMesh, shift: tuple[float, float]) -> list[Any]:
    from vtkmodules.vtkRenderingCore import vtkActor, vtkPolyDataMapper

    actors = []
    for inked, colour in ((False, _MATERIAL), (True, _INK)):
        data = poly_data(mesh.vertices, mesh.triangles[mesh.inked == inked])
        data.GetPointData().SetNormals(arrays().numpy_to_vtk(mesh.normals, deep=1))
        mapper, actor = vtkPolyDataMapper(), vtkActor()
        mapper.SetInputData(data)
        actor.SetMapper(mapper)
        actor.SetPosition(*shift, 0.0)
        look = actor.GetProperty()
        look.SetInterpolationToPhong()
        look.SetColor(*colour)
        look.SetAmbient(0.16)
        look.SetDiffuse(0.84)
        look.SetSpecular(0.12)
        look.SetSpecularPower(28)
        actors.append(actor)
    return actors


def _light(renderer: Any) -> None:
    from vtkmodules.vtkRenderingCore import vtkLight

    renderer.RemoveAllLights()
    renderer.AutomaticLightCreationOff()
    for direction, strength in _LIGHTS:
        light = vtkLight()
        light.SetLightTypeToSceneLight()
        light.SetPositional(False)
        light.SetPosition(*direction)
        light.SetFocalPoint(0.0, 0.0, 0.0)
        light.SetIntensity(strength)
        renderer.AddLight(light)


def _camera(renderer: Any, placed: Placed) -> tuple[float, float]:
    """Point the camera at everything; give the width and height that it sees, mm."""
    tilt = np.radians(_TILT_DEG)
    right = np.array([1.0, 0.0, 0.0])
    toward = np.array([0.0, np.sin(tilt), np.cos(tilt)])
    axes = np.stack([right, np.cross(toward, right), toward], axis=1)
    points = np.concatenate([mesh.vertices + np.array([*by, 0.0]) for mesh, by in placed])
    seen = points @ axes
    low, high = seen.min(axis=0), seen.max(axis=0)
    middle = axes @ ((low + high) / 2)
    width, height = (high - low)[:2] + 2 * _MARGIN_MM
    camera = renderer.GetActiveCamera()
    camera.ParallelProjectionOn()
    camera.SetFocalPoint(*middle)
    camera.SetPosition(*(middle + 200.0 * toward))
    camera.SetViewUp(*axes[:, 1])
    camera.SetParallelScale(height / 2)
    camera.SetClippingRange(50.0, 400.0)
    return float(width), float(height)


def _drawn(renderer: Any, size_mm: tuple[float, float], pixels_per_mm: float) -> bytes:
    from vtkmodules.vtkImagingCore import vtkImageShrink3D
    from vtkmodules.vtkIOImage import vtkPNGWriter
    from vtkmodules.vtkRenderingCore import vtkWindowToImageFilter

    scale = min(pixels_per_mm, _MOST_PIXELS / (_OVERSAMPLING * max(size_mm)))
    size = [_OVERSAMPLING * round(scale * side) for side in size_mm]
    window = _window()
    window.SetMultiSamples(0)
    window.SetSize(*size)
    window.AddRenderer(renderer)
    window.Render()
    grab, mean, writer = vtkWindowToImageFilter(), vtkImageShrink3D(), vtkPNGWriter()
    grab.SetInput(window)
    grab.ReadFrontBufferOff()
    mean.SetInputConnection(grab.GetOutputPort())
    mean.SetShrinkFactors(_OVERSAMPLING, _OVERSAMPLING, 1)
    mean.AveragingOn()
    writer.SetInputConnection(mean.GetOutputPort())
    writer.WriteToMemoryOn()
    writer.Write()
    content = bytes(writer.GetResult())
    low, high = mean.GetOutput().GetScalarRange()
    window.RemoveRenderer(renderer)
    window.Finalize()
    if low == high:
        raise DeliveryError(
            "the rods cannot be pictured: this machine's graphics driver drew an empty picture; "
            "install another (Debian: apt install libegl1 libgl1-mesa-dri) and run again",
            field="pictures",
        )
    return content


def _window() -> Any:
    """Open a window that needs no screen: EGL where there is one, else what the system has."""
    from vtkmodules import vtkRenderingOpenGL2
    from vtkmodules.vtkRenderingCore import vtkRenderWindow

    window = getattr(vtkRenderingOpenGL2, "vtkEGLRenderWindow", vtkRenderWindow)()
    window.SetOffScreenRendering(1)
    window.SetShowWindow(False)
    if not window.SupportsOpenGL():
        raise DeliveryError(
            "the rods cannot be pictured: this machine has no graphics driver that draws without a "
            "screen; install one (Debian: apt install libegl1 libgl1-mesa-dri) and run again",
            field="pictures",
        )
    return window
