"""Shaded pictures of rods and sets as PNG files, without a screen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from labkit.errors import DeliveryError
from labkit.exports.pictures.loading import load_renderer
from labkit.exports.pictures.placing import TILT_DEG, PlacedRod
from labkit.exports.pictures.shading import ShadedMesh, arrays, poly_data

#: Pixels for each millimetre in the finished pictures: a 2.5 mm digit is 40 pixels high.
PIXELS_PER_MM = 16.0
#: Each pixel is the mean of this many squared: smooth edges, and no driver's own smoothing.
_OVERSAMPLING = 2
#: Pixels of the finished picture that are drawn at once, from above: what is drawn lies in memory
#: several times over.
_STRIP_PIXELS = 256
#: Graphics drivers refuse larger pictures than this; larger sets are drawn smaller.
_MOST_PIXELS = 8000
_MARGIN_MM = 3.0
#: As much around a rod of the set's picture belongs to it alone; the rest of a margin is white.
_OWN_MM = 1.0
_WHITE = 255
_MATERIAL = (0.97, 0.95, 0.90)
_INK = (0.16, 0.15, 0.14)
#: Direction to each light in the reader's coordinates, and its strength.
_LIGHTS = (((-0.6, 0.8, 1.0), 0.80), ((0.8, -0.1, 1.0), 0.32), ((0.0, -1.0, 0.3), 0.12))

Pixels = NDArray[np.uint8]


def set_pngs(rods: Sequence[PlacedRod]) -> dict[str, bytes]:
    """Picture a set ("set.png") and each of its rods alone ("PART.png"), labels towards the reader.

    The same bytes for the same set on the same graphics driver.

    The set is drawn once and the rods are cut out of it: drawing is what takes the time, and a
    rod looks the same wherever it lies, as nothing gets smaller with distance.

    Raises:
        DeliveryError: The machine has no driver that can draw without a screen.
    """
    load_renderer()
    from vtkmodules.vtkCommonCore import vtkLogger

    view = _View(rods)
    before = vtkLogger.GetCurrentVerbosityCutoff()
    # What a driver has to say goes into our own sentence, not onto the terminal.
    vtkLogger.SetStderrVerbosity(vtkLogger.VERBOSITY_OFF)
    try:
        pixels = _drawn(rods, view)
    finally:
        vtkLogger.SetStderrVerbosity(before)
    pictures = {"set.png": _png(pixels)}
    for one, frame in zip(rods, view.frames, strict=True):
        pictures[f"{one.part}.png"] = _png(_cut_out(pixels, frame, view.scale))
    return pictures


class _Frame(NamedTuple):
    """A rod in the picture, pixels from its left and top: middle, and half of the rod's size."""

    middle: tuple[int, int]
    half: tuple[float, float]


class _View:
    """What the reader sees, and where each rod is in the picture."""

    def __init__(self, rods: Sequence[PlacedRod]) -> None:
        tilt = np.radians(TILT_DEG)
        right, toward = np.array([1.0, 0.0, 0.0]), np.array([0.0, np.sin(tilt), np.cos(tilt)])
        #: The reader's right, up and nearness.
        self.axes = np.stack([right, np.cross(toward, right), toward], axis=1)
        lows, highs = (np.array(side) for side in zip(*map(self._box, rods), strict=True))
        low, high = lows.min(axis=0)[:2] - _MARGIN_MM, highs.max(axis=0)[:2] + _MARGIN_MM
        most = _MOST_PIXELS / _OVERSAMPLING
        self.scale = min(PIXELS_PER_MM, (most - 1) / float((high - low).max()))
        self.size = [int(np.ceil(self.scale * side)) for side in high - low]
        # Left and top of the picture, mm.
        corner = np.array([low[0], high[1]])
        away = np.array([self.size[0], -self.size[1]]) / self.scale / 2
        self._depth = (lows[:, 2].min() + highs[:, 2].max()) / 2
        self._corner, self._across = corner, float(away[0])
        self.frames: list[_Frame] = []
        #: Where each rod's mesh goes, so that its middle is on a corner of pixels: cut out, it
        #: looks the same wherever it lies.
        self.positions: list[NDArray[np.float64]] = []
        for one, a, b in zip(rods, lows[:, :2], highs[:, :2], strict=True):
            from_corner = ((a + b) / 2 - corner) * np.array([1, -1]) * self.scale
            place = np.rint(from_corner)
            moved = (place - from_corner) * np.array([1, -1]) / self.scale
            self.positions.append(np.array([*one.shift_mm, 0.0]) + self.axes[:, :2] @ moved)
            half = (b - a) / 2 * self.scale
            self.frames.append(_Frame((int(place[0]), int(place[1])), (half[0], half[1])))

    def middle(self, top: int) -> NDArray[np.float64]:
        """Give the point in the middle of a strip whose upper edge is so many pixels down."""
        down = (top + _STRIP_PIXELS / 2) / self.scale
        x, y = self._corner
        point: NDArray[np.float64] = self.axes @ [x + self._across, y - down, self._depth]
        return point

    def rods_in(self, top: int) -> set[int]:
        """Name the rods of which something lies in that strip."""
        return {
            number for number, ((_, y), (_, half)) in enumerate(self.frames)
            if y + half > top - 1 and y - half < top + _STRIP_PIXELS + 1
        }

    def _box(self, one: PlacedRod) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        shift = np.array([*one.shift_mm, 0.0]) @ self.axes
        seen = one.mesh.vertices @ self.axes
        return seen.min(axis=0) + shift, seen.max(axis=0) + shift


def _cut_out(pixels: Pixels, frame: _Frame, scale: float) -> Pixels:
    """Cut a rod out of the set's picture and give it its margin."""
    own, whole = (
        [int(np.ceil(half + margin * scale)) for half in frame.half]
        for margin in (_OWN_MM, _MARGIN_MM)
    )
    (x, y), (dx, dy) = frame.middle, own
    out = np.full((2 * whole[1], 2 * whole[0], 3), _WHITE, dtype=np.uint8)
    inside = (slice(whole[1] - dy, whole[1] + dy), slice(whole[0] - dx, whole[0] + dx))
    out[inside] = pixels[y - dy : y + dy, x - dx : x + dx]
    return out


def _scene(view: _View) -> Any:
    """Make a scene without rods: light, and the eye that looks at a strip."""
    from vtkmodules.vtkRenderingCore import vtkRenderer

    renderer = vtkRenderer()
    renderer.SetBackground(1.0, 1.0, 1.0)
    _light(renderer)
    camera = renderer.GetActiveCamera()
    camera.ParallelProjectionOn()
    camera.SetViewUp(*view.axes[:, 1])
    camera.SetParallelScale(_STRIP_PIXELS / view.scale / 2)
    return renderer


def _actors(mesh: ShadedMesh, position: NDArray[np.float64]) -> list[Any]:
    from vtkmodules.vtkRenderingCore import vtkActor, vtkPolyDataMapper

    actors = []
    for inked, colour in ((False, _MATERIAL), (True, _INK)):
        data = poly_data(mesh.vertices, mesh.triangles[mesh.inked == inked])
        data.GetPointData().SetNormals(arrays().numpy_to_vtk(mesh.normals, deep=1))
        mapper, actor = vtkPolyDataMapper(), vtkActor()
        mapper.SetInputData(data)
        actor.SetMapper(mapper)
        actor.SetPosition(*position)
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


def _drawn(rods: Sequence[PlacedRod], view: _View) -> Pixels:
    """Draw rods strip by strip, those in it alone; give the picture from its top down."""
    window, renderer = _window(), _scene(view)
    window.SetMultiSamples(0)
    window.SetSize(_OVERSAMPLING * view.size[0], _OVERSAMPLING * _STRIP_PIXELS)
    window.AddRenderer(renderer)
    width, height = view.size
    pixels = np.empty((height, width, 3), dtype=np.uint8)
    shown: dict[int, list[Any]] = {}
    for top in range(0, height, _STRIP_PIXELS):
        inside = view.rods_in(top)
        for number in shown.keys() - inside:
            for actor in shown.pop(number):
                renderer.RemoveActor(actor)
                actor.ReleaseGraphicsResources(window)
        for number in sorted(inside - shown.keys()):
            shown[number] = _actors(rods[number].mesh, view.positions[number])
            for actor in shown[number]:
                renderer.AddActor(actor)
        _look_at(renderer.GetActiveCamera(), view, top)
        window.Render()
        pixels[top : top + _STRIP_PIXELS] = _grabbed(window, width)[: height - top]
    window.RemoveRenderer(renderer)
    window.Finalize()
    if pixels.min() == pixels.max():
        raise DeliveryError(
            "the rods cannot be pictured: this machine's graphics driver drew an empty picture; "
            "install another (Debian: apt install libegl1 libgl1-mesa-dri) and run again",
            field="pictures",
        )
    return pixels


def _look_at(camera: Any, view: _View, top: int) -> None:
    middle = view.middle(top)
    camera.SetFocalPoint(*middle)
    camera.SetPosition(*(middle + 200.0 * view.axes[:, 2]))
    camera.SetClippingRange(50.0, 400.0)


def _grabbed(window: Any, width: int) -> Pixels:
    """Take what was drawn, each pixel the mean of those that it was drawn of."""
    from vtkmodules.vtkImagingCore import vtkImageShrink3D
    from vtkmodules.vtkRenderingCore import vtkWindowToImageFilter

    grab, mean = vtkWindowToImageFilter(), vtkImageShrink3D()
    grab.SetInput(window)
    grab.ReadFrontBufferOff()
    grab.ShouldRerenderOff()
    mean.SetInputConnection(grab.GetOutputPort())
    mean.SetShrinkFactors(_OVERSAMPLING, _OVERSAMPLING, 1)
    mean.AveragingOn()
    mean.Update()
    values = arrays().vtk_to_numpy(mean.GetOutput().GetPointData().GetScalars())
    strip: Pixels = values.reshape(_STRIP_PIXELS, width, -1)[::-1].copy()
    return strip


def _png(pixels: Pixels) -> bytes:
    from vtkmodules.vtkCommonDataModel import vtkImageData
    from vtkmodules.vtkIOImage import vtkPNGWriter

    height, width, _ = pixels.shape
    image, writer = vtkImageData(), vtkPNGWriter()
    image.SetDimensions(width, height, 1)
    upwards = np.ascontiguousarray(pixels[::-1]).reshape(-1, 3)
    image.GetPointData().SetScalars(arrays().numpy_to_vtk(upwards, deep=1))
    writer.SetInputData(image)
    writer.WriteToMemoryOn()
    writer.Write()
    return bytes(writer.GetResult())


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
