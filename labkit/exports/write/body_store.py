"""Bodies that were built before: in this process, and on disk for those that come after.

A kept body is used only as it was taken down: its digest is held against it at each use. What is
broken, or cannot be kept, is built again.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path

import numpy as np

from labkit.core.rod.compensation import RodSizes
from labkit.core.rod.rods import Hand
from labkit.exports.write.body import Body, Flat
from labkit.exports.write.step_text import StepText
from labkit.kept import digest_of_program, keep, kept_file, read_kept, sealed

#: The oldest files go where there are more: some 20 MB.
MOST_FILES = 64
_SUFFIX = ".body"
#: Bodies that a process keeps, some 1 MB each: the rows in both hands for three processes.
MOST_IN_PROCESS = 32
#: Source, and libraries, that a body follows from.
SOURCES = ("*.py", "core/**/*.py", "solids/**/*.py", "exports/write/**/*.py")
LIBRARIES = ("cadquery", "cadquery-ocp", "manifold3d", "numpy")

_IN_PROCESS: dict[tuple[object, ...], tuple[Body, str]] = {}


def kept_body(sizes: RodSizes, hand: Hand) -> Body:
    """Give the body that a rod is written from, built now if it never was.

    Args:
        sizes: As built; their length does not matter.

    Raises:
        GeometryError: As `build_body`.
    """
    body, digest = _IN_PROCESS.get(_key(sizes, hand), (None, ""))
    if body is None or body.digest() != digest:
        body = _from_disk_or_built(sizes, hand)
        _hold(body, sizes, hand)
    return body


def renew_body(sizes: RodSizes, hand: Hand) -> None:
    """Build a body anew, in place of one whose rods measure wrong.

    Raises:
        GeometryError: As `build_body`.
    """
    _hold(_built(sizes, hand, _path_of(sizes, hand)), sizes, hand)


def _key(sizes: RodSizes, hand: Hand) -> tuple[object, ...]:
    return (sizes.body, sizes.lower, sizes.upper, hand)


def _hold(body: Body, sizes: RodSizes, hand: Hand) -> None:
    _IN_PROCESS[_key(sizes, hand)] = (body, body.digest())
    for old in list(_IN_PROCESS)[:-MOST_IN_PROCESS]:
        _IN_PROCESS.pop(old, None)


def forget_bodies() -> None:
    """Forget those of this process."""
    _IN_PROCESS.clear()


def _from_disk_or_built(sizes: RodSizes, hand: Hand) -> Body:
    sizes.body.check(sizes.fittings)
    path = _path_of(sizes, hand)
    body = None if path is None else read_body(path)
    return _built(sizes, hand, path) if body is None else body


def _built(sizes: RodSizes, hand: Hand, path: Path | None) -> Body:
    from labkit.exports.write.body_build import build_body

    body = build_body(sizes, hand)
    if path is not None:
        with suppress(OSError):  # a body is only kept to be quicker
            keep(path, body_bytes(body, path.stem), MOST_FILES)
    return body


def _path_of(sizes: RodSizes, hand: Hand) -> Path | None:
    return kept_file("bodies", _SUFFIX, _program(), *_key(sizes, hand))


@cache
def _program() -> str:
    """Give a digest of the source and the libraries that a body follows from; empty without."""
    return digest_of_program(SOURCES, LIBRARIES)


def body_bytes(body: Body, key: str) -> bytes:
    """Give a body as a file: the SHA-256 of its key and of the rest, then named arrays and text.

    Args:
        key: What the file is called after: a file of another name is not taken for this body.

    Returns:
        The same bytes for the same body; no code is in them.
    """
    step, stream = body.step, io.BytesIO()
    loops = [loop for flat in body.loose for loop in flat.loops]
    np.savez(
        stream, points=body.points, shares=body.shares, triangles=body.triangles,
        normals=body.normals, volume=body.volume_mm3, shortest=body.shortest_mm,
        loops=np.concatenate(loops), loop_sizes=[len(loop) for loop in loops],
        flat_sizes=[len(flat.loops) for flat in body.loose],
        flat_ways=[flat.to_plane for flat in body.loose],
        flat_turned=[flat.turned for flat in body.loose],
        flat_normals=[flat.normal for flat in body.loose],
        text=np.frombuffer(step.text.encode("ascii"), dtype=np.uint8),
        step_x=step.x, step_shares=step.shares, step_faces=step.faces, step_bounds=step.bounds,
        step_numbers=[step.count, step.plane],
    )
    return sealed(key, stream.getvalue())


def read_body(path: Path) -> Body | None:
    """Read a body; None where there is none, or its digest is not that of its name and content."""
    data = read_kept(path)
    if data is None:
        return None
    with np.load(io.BytesIO(data), allow_pickle=False) as found:
        held = {name: found[name] for name in found.files}
    count, plane = held["step_numbers"].tolist()
    step = StepText(
        held["text"].tobytes().decode("ascii"), held["step_x"], held["step_shares"],
        tuple(held["step_faces"].tolist()), count, tuple(held["step_bounds"].tolist()), plane,
    )
    start, each = held["volume"].tolist()
    return Body(
        held["points"], held["shares"], held["triangles"], held["normals"], _flats(held), step,
        (start, each), float(held["shortest"]),
    )


def _flats(held: Mapping[str, np.ndarray]) -> tuple[Flat, ...]:
    loops = np.split(held["loops"], np.cumsum(held["loop_sizes"])[:-1])
    flats, first = [], 0
    for index, size in enumerate(held["flat_sizes"].tolist()):
        flats.append(Flat(
            tuple(loops[first:first + size]), held["flat_ways"][index],
            bool(held["flat_turned"][index]), held["flat_normals"][index],
        ))
        first += size
    return tuple(flats)

