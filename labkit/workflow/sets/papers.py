"""The papers and pictures of a set, made from its spec and its own written files."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from filelock import BaseFileLock, FileLock, Timeout

from labkit.catalog.lettering import load_lettering
from labkit.catalog.profiles import Profile, profile_json
from labkit.documents import rod_drawing
from labkit.documents.papers import FOLDER, PAPERS, write_documents
from labkit.documents.render import compile_pdf
from labkit.documents.set_picture import set_drawing
from labkit.documents.set_spec import Spec, rod_of, template_of
from labkit.documents.spec_reader import read_spec
from labkit.documents.standing import STANDING, profile_on_paper
from labkit.documents.svg import to_svg
from labkit.errors import DeliveryError, InputError
from labkit.exports.write.set_folder import (
    SPEC_FILE,
    SUMS_FILE,
    lock_of,
    replace_files,
    require_unchanged,
    sums_of,
    write_json,
)
from labkit.locks import only_one

if TYPE_CHECKING:
    from labkit.exports.pictures.shading import ShownRod

Progress = Callable[[str], None]
PICTURES = "pictures"
DRAWING = "rod-drawing"
#: What is made besides one PNG for each rod and one PDF for each paper.
SET_PICTURES = ("set.svg", "set.glb", "set.png")
DRAWING_ENDINGS = ("pdf", "svg", "dxf")


def write_papers(parts: Path, spec: Spec, target: Path, progress: Progress) -> None:
    """Write all pictures and documents of a set.

    Args:
        parts: Folder of the set, with its STEP and STL files.
        target: Where the folders `pictures` and `documents` go.
        progress: Told the name of each file.

    Raises:
        LabkitError: A file of the set cannot be read, or a paper cannot be set.
    """
    pictures = _pictures(parts, spec)
    _write(target / PICTURES, pictures, progress)
    write_documents(spec, target, pictures, progress)
    _write(target / FOLDER, _drawing(spec), progress)


def count_papers(parts: int) -> int:
    """Count the files that `write_papers` writes for a set of so many parts."""
    companions = sum(1 for paper in PAPERS if paper.companions)
    return len(SET_PICTURES) + parts + len(PAPERS) + companions + len(DRAWING_ENDINGS)


def _write(folder: Path, files: Mapping[str, bytes], progress: Progress) -> None:
    folder.mkdir(exist_ok=True)
    for name, content in files.items():
        (folder / name).write_bytes(content)
        progress(name)


def _pictures(root: Path, spec: Spec) -> dict[str, bytes]:
    from labkit.exports.pictures.glb import set_glb
    from labkit.exports.pictures.placing import placed_by_length
    from labkit.exports.pictures.png import set_pngs

    placed = placed_by_length(_shown(root, spec))
    title = f"{spec['case']}, set {spec['revision']}"
    drawn = (to_svg(set_drawing(spec, load_lettering())), set_glb(placed, title))
    return dict(zip(SET_PICTURES, drawn, strict=False)) | set_pngs(placed)


def _shown(root: Path, spec: Spec) -> Iterator[ShownRod]:
    from labkit.exports.check.stl_reader import read_stl
    from labkit.exports.pictures.shading import ShownRod

    template = template_of(spec)
    for part in spec["parts"]:
        yield ShownRod(rod_of(part, template), read_stl(root / part["files"]["stl"]))


def _drawing(spec: Spec) -> dict[str, bytes]:
    sheet = rod_drawing.draw(spec)
    facts = rod_drawing.pdf_facts(spec, sheet)
    pdf = compile_pdf(rod_drawing.TEMPLATE, facts, profile_on_paper(spec))
    files = (pdf, to_svg(sheet, paper=True), rod_drawing.to_dxf(sheet))
    return {f"{DRAWING}.{end}": file for end, file in zip(DRAWING_ENDINGS, files, strict=True)}


def open_set(root: Path) -> dict[str, Any]:
    """Read the spec of a finished set, after checking that the set is as it was made.

    Returns:
        Content of its spacer-set.json.

    Raises:
        InputError: The folder is not a set, its spec cannot be read, or a file of it besides the
            papers and pictures is missing or was changed.
    """
    sealed = [name for name in sums_of(root) if name.split("/")[0] not in (FOLDER, PICTURES)]
    require_unchanged(root, [SPEC_FILE, *sealed])
    spec = read_spec(root / SPEC_FILE)
    require_unchanged(root, [name for part in spec["parts"] for name in part["files"].values()])
    return spec


def remake_papers(
    root: Path, spec: Spec, out: Path | None, profile: Profile | None, progress: Progress
) -> None:
    """Make the papers of a finished set again.

    They are written beside their place and moved there file by file, so that a kill at any moment
    leaves whole files; what a killed run left behind is removed by the next one.

    Args:
        spec: What `open_set` gave of it.
        out: Where the folders `documents` and `pictures` go; None for the set itself.
        profile: Another profile than the set's own; without `out` it becomes the set's own.
        progress: Told the name of each file.

    Raises:
        InputError: `out` is a finished set, or a file of the set was written into.
        DeliveryError: The papers cannot be written.
    """
    root = root.resolve()
    target = root if out is None else out.resolve()
    if profile is not None:
        spec = {**spec, "profile": profile_json(profile)}
    if target != root and (root in target.parents or (target / SUMS_FILE).exists()):
        raise InputError(
            "is a finished set or lies in one; name another folder with --out", where=str(out)
        )
    try:
        with _staging(target, spec if target == root else None) as folder:
            write_papers(root, spec, folder, progress)
            if target == root:
                if profile is not None:
                    write_json(folder / SPEC_FILE, {k: spec[k] for k in spec if k != STANDING})
                replace_files(root, folder)
            else:
                _put_in_place(folder, target)
    except Timeout as error:
        raise DeliveryError(
            f"another run is still writing to {target}; try again when it is done"
        ) from error
    except OSError as error:
        raise DeliveryError(
            f"the papers cannot be written to {target}: {error.strerror or error}; name a folder "
            "that can be written with --out"
        ) from error


@contextmanager
def _staging(target: Path, spec: Spec | None) -> Iterator[Path]:
    """Open a folder for papers in the making: beside a set, so that it never gets into it."""
    for name in (FOLDER, PICTURES):
        if (target / name).is_symlink():
            raise InputError(
                f"{name} is a link; put a folder in its place", where=str(target), field=name
            )
    if spec is None:
        target.mkdir(parents=True, exist_ok=True)
        staging = target / ".papers.unfinished"
        lock: BaseFileLock = FileLock(target / ".papers.lock")
    else:
        staging = target.parent / f".{target.name}.papers.unfinished"
        # The one that runs that make sets of this case wait for.
        lock = lock_of(target.parent, spec["case"])
    with only_one(lock):
        shutil.rmtree(staging, ignore_errors=True)
        staging.mkdir()
        try:
            yield staging
        finally:
            shutil.rmtree(staging, ignore_errors=True)


def _put_in_place(staging: Path, target: Path) -> None:
    """Replace file by file; what is not made anew is left alone."""
    for path in sorted(staging.rglob("*")):
        place = target / path.relative_to(staging)
        if path.is_dir():
            place.mkdir(exist_ok=True)
        else:
            path.replace(place)
