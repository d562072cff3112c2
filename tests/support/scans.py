"""Synthetic scans: a rod's own STL, meshed finely and then spoilt as scanning and printing do."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import numpy as np

from labkit.core.rod.rods import Hand
from labkit.exports.check.stl_reader import read_stl
from tests.support.rods import rod_of, templates, written

#: Waves of which a spatially correlated noise is made.
WAVES = 160


@dataclass(frozen=True)
class Spoil:
    """What a scan suffers.

    Args:
        noise_mm: Standard deviation of the surface's noise.
        correlation_mm: Distance over which neighbours err alike; 0 for white noise.
        form_mm, wave_mm: Standard deviation of a smooth error beside the noise, and its wavelength.
        missing: Share of the surface lost in patches.
        patch_mm: Radius of a patch.
        edge_mm: Longest edge of the mesh.
        cell_mm: Cells into which vertices are merged (decimation); 0 for none.
        flipped: Share of facets turned inside out.
        stubs: Support stubs left on.
        bed: Whether a piece of the scanner's table is in the scan.
        posed: Whether the rod lies anywhere.
        unit: Factor on the coordinates in the file.
    """

    noise_mm: float = 0.02
    correlation_mm: float = 0.0
    form_mm: float = 0.0
    wave_mm: float = 8.0
    missing: float = 0.3
    patch_mm: float = 2.0
    edge_mm: float = 0.12
    cell_mm: float = 0.0
    flipped: float = 0.0
    stubs: int = 0
    bed: bool = False
    posed: bool = True
    unit: float = 1.0

    def but(self, **changes) -> Spoil:
        return replace(self, **changes)


CLEAN = Spoil(noise_mm=0.0, missing=0.0, posed=False)
ALL_AT_ONCE = Spoil(flipped=0.3, stubs=6, bed=True)


@cache
def _folder() -> Path:
    return Path(mkdtemp(prefix="labkit-scans-"))


@cache
def rod_mesh(row: str, length: str, hand: Hand = Hand.MINUS_Y, case_mark: str = ""):
    """Build a rod of a template row and read its STL."""
    folder = _folder() / f"{row}-{length}-{hand.name}-{case_mark}"
    folder.mkdir(exist_ok=True)
    return read_stl(written(rod_of(row, length, hand, case_mark), folder).stl)


@cache
def fine_mesh(row: str, length: str, hand: Hand, edge_mm: float, case_mark: str):
    import manifold3d

    mesh = rod_mesh(row, length, hand, case_mark)
    vertices, triangles = mesh.vertices.astype(np.float32), mesh.triangles.astype(np.uint32)
    refined = manifold3d.Manifold(manifold3d.Mesh(vertices, triangles)).refine_to_length(edge_mm)
    fine = refined.to_mesh()
    vertices = np.array(fine.vert_properties[:, :3], dtype=np.float64)
    triangles = np.array(fine.tri_verts, dtype=np.int64)
    return vertices, triangles, _normals(vertices, triangles)


@dataclass(frozen=True)
class Scan:
    """A spoilt mesh, and what is true of it."""

    row: str
    length: str
    hand: Hand
    corners: np.ndarray  # (m, 3, 3)

    @property
    def label(self) -> str:
        return rod_of(self.row, self.length, self.hand).engraving

    def write(self, path: Path) -> Path:
        path.write_bytes(binary_stl(self.corners))
        return path


def scan_of(
    row: str, length: str, spoil: Spoil, seed: int, hand: Hand = Hand.MINUS_Y, case_mark: str = ""
) -> Scan:
    """Spoil the mesh of a rod.

    Args:
        row: Template row.
        length: Label.
        spoil: What to do to it.
        seed: Of everything random.
        hand: Left or right part, of templates that differ.
        case_mark: Engraved beside the label.

    Returns:
        The scan.
    """
    random = np.random.default_rng(seed)
    built = hand if templates()[row].handed else Hand.MINUS_Y  # one part then
    vertices, triangles, normals = fine_mesh(row, length, built, spoil.edge_mm, case_mark)
    errors = _noise(vertices, spoil, random)
    if spoil.form_mm:
        errors = errors + form_error(vertices, spoil.form_mm, spoil.wave_mm, random)
    vertices = vertices + normals * errors[:, None]
    first, second, third = triangles.T
    middles = (vertices[first] + vertices[second] + vertices[third]) / 3.0
    triangles = triangles[~_lost(middles, spoil, random)]
    if spoil.cell_mm:
        vertices, triangles = _merged(vertices, triangles, spoil.cell_mm)
    corners = [vertices[triangles]]
    corners += [_stub(vertices, random, spoil) for _ in range(spoil.stubs)]
    if spoil.bed:
        corners.append(_bed(templates()[row], Decimal(length), random, spoil))
    every = np.concatenate(corners)
    flipped = random.random(len(every)) < spoil.flipped
    every[flipped] = every[flipped][:, ::-1]
    if spoil.posed:
        every = every @ random_rotation(random).T + random.uniform(-80, 80, 3)
    return Scan(row, length, hand, every * spoil.unit)


def random_rotation(random: np.random.Generator) -> np.ndarray:
    """Give a uniformly random rotation (from a random quaternion)."""
    w, x, y, z = (q := random.normal(size=4)) / np.linalg.norm(q)
    return np.array([
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ])


def binary_stl(corners: np.ndarray, header: bytes = b"solid scan", normals=None) -> bytes:
    """Write facets as binary STL, with zero normals and a header as careless programs write it."""
    facet = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    data = np.zeros(len(corners), dtype=facet)
    data["corners"] = corners
    if normals is not None:
        data["normal"] = normals
    return header.ljust(80, b" ") + len(corners).to_bytes(4, "little") + data.tobytes()


def ascii_stl(corners: np.ndarray) -> bytes:
    """Write facets as text STL."""
    facets = []
    for facet in corners:
        lines = "\n".join(f"vertex {x:.6e} {y:.6e} {z:.6e}" for x, y, z in facet)
        facets.append(f"facet normal 0 0 0\nouter loop\n{lines}\nendloop\nendfacet")
    return ("solid rod\n" + "\n".join(facets) + "\nendsolid rod\n").encode()


def _normals(vertices, triangles):
    corners = vertices[triangles]
    crosses = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    sums = np.zeros_like(vertices)
    for corner in range(3):
        np.add.at(sums, triangles[:, corner], crosses)
    return sums / np.maximum(np.linalg.norm(sums, axis=1), 1e-12)[:, None]


def _noise(vertices, spoil, random):
    if not spoil.noise_mm:
        return np.zeros(len(vertices))
    if not spoil.correlation_mm:
        return random.normal(0.0, spoil.noise_mm, len(vertices))
    waves = random.normal(0.0, 1.0 / spoil.correlation_mm, (3, WAVES)).astype(np.float32)
    phases = random.uniform(0.0, 2.0 * np.pi, WAVES).astype(np.float32)
    field_ = np.cos(vertices.astype(np.float32) @ waves + phases).sum(axis=1)
    return spoil.noise_mm * np.sqrt(2.0 / WAVES) * field_.astype(np.float64)


def form_error(vertices, form_mm, wave_mm, random):
    """Give a smooth error (n,) of one wavelength, its waves from every direction alike."""
    ways = random.normal(size=(3, WAVES))
    waves = 2.0 * np.pi / wave_mm * ways / np.linalg.norm(ways, axis=0)
    phases = random.uniform(0.0, 2.0 * np.pi, WAVES).astype(np.float32)
    field_ = np.cos(vertices.astype(np.float32) @ waves.astype(np.float32) + phases).sum(axis=1)
    return form_mm * np.sqrt(2.0 / WAVES) * field_.astype(np.float64)


def _lost(middles, spoil, random):
    """Take away round patches until the wanted share of the facets is gone."""
    lost, squares = np.zeros(len(middles), dtype=bool), (middles**2) @ np.ones(3)
    while lost.mean() < spoil.missing:
        at = middles[random.integers(len(middles))]
        radius = spoil.patch_mm * random.uniform(0.4, 1.0)
        lost |= squares - 2.0 * (middles @ at) < radius**2 - at @ at
    return lost


def _merged(vertices, triangles, cell_mm):
    """Decimate by merging all vertices of a cell into one of them."""
    _, first, number = np.unique(
        np.floor(vertices / cell_mm).astype(np.int64), axis=0, return_index=True,
        return_inverse=True,
    )
    merged = number.reshape(-1)[triangles]
    kept = (merged != np.roll(merged, 1, axis=1)).all(axis=1)
    return vertices[first], np.unique(np.sort(merged[kept], axis=1), axis=0)


def _stub(vertices, random, spoil):
    """Stand a thin pillar on the rod's lower side (towards −z)."""
    import trimesh

    low = vertices[vertices[:, 2] < 0.6 * vertices[:, 2].min()]
    foot = low[random.integers(len(low))]
    height, radius = random.uniform(0.8, 3.0), random.uniform(0.2, 0.5)
    pillar = trimesh.creation.cylinder(radius, height, sections=16)
    corners = pillar.vertices[pillar.faces] + foot - [0.0, 0.0, height / 2.0]
    return corners + random.normal(0.0, spoil.noise_mm + 1e-9, corners.shape)


def _bed(template, length, random, spoil):
    """Give a piece of the scanner's table, some millimetres below the rod."""
    grid = np.arange(-30.0, 30.1, 0.8)
    x, y = np.meshgrid(grid, grid)
    points = np.stack([x, y, np.full_like(x, -template_reach(template) - 2.0)], axis=-1)
    points[..., 2] += random.normal(0.0, spoil.noise_mm + 1e-9, x.shape)
    a, b, c, d = points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]
    facets = np.concatenate([np.stack([a, b, c], axis=2), np.stack([a, c, d], axis=2)])
    return facets.reshape(-1, 3, 3)


def template_reach(template) -> float:
    """Give how far a rod reaches across its bar, about."""
    fittings = (template.lower, template.upper)
    return max(getattr(fitting, "boss_diameter_mm", 6.0) for fitting in fittings) / 2.0
