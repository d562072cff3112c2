"""The papers and pictures of a set, made from its spec and its own written files."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.profiles import Profile, profile_json, profile_of
from labkit.documents import rod_drawing
from labkit.documents.papers import FOLDER, PAPERS, write_documents
from labkit.documents.render import compile_pdf
from labkit.documents.rod_values import rod_of, template_of
from labkit.documents.set_picture import set_svg
from labkit.errors import DeliveryError, InputError
from labkit.exports.set_folder import SPEC_FILE, require_unchanged, seal

if TYPE_CHECKING:
    from labkit.exports.shading import ShownRod

Spec = Mapping[str, Any]
Progress = Callable[[str], None]
PICTURES = "pictures"
DRAWING = "rod-drawing"


def write_papers(parts: Path, spec: Spec, target: Path, progress: Progress) -> tuple[str, ...]:
    """Write all pictures and documents of a set.

    Args:
        parts: Folder of the set, with its STEP and STL files.
        spec: Content of its spacer-set.json.
        target: Where the folders `pictures` and `documents` go.
        progress: Told the name of each file.

    Returns:
        Sentences on what this machine could not make; empty where everything is there.

    Raises:
        LabkitError: A file of the set cannot be read, or a paper cannot be set.
    """
    pictures, problems = _pictures(parts, spec)
    _write(target / PICTURES, pictures, progress)
    write_documents(spec, target, pictures, progress)
    _write(target / FOLDER, _drawing(parts, spec), progress)
    return problems


def count_papers(parts: int) -> int:
    """Count the files that `write_papers` writes for a set of so many parts."""
    companions = 1  # the inspection form's CSV
    return 3 + parts + len(PAPERS) + companions + 3


def _write(folder: Path, files: Mapping[str, bytes], progress: Progress) -> None:
    folder.mkdir(exist_ok=True)
    for name, content in files.items():
        (folder / name).write_bytes(content)
        progress(name)


def _pictures(root: Path, spec: Spec) -> tuple[dict[str, bytes], tuple[str, ...]]:
    """Make the pictures; without a graphics driver only the drawn ones, and say so."""
    from labkit.exports.glb import set_glb
    from labkit.exports.pictures import rod_png, set_png

    shown = _shown(root, spec)
    title = f"{spec['case']}, revision {spec['revision']}"
    pictures = {"set.svg": set_svg(spec, load_lettering()), "set.glb": set_glb(shown, title)}
    try:
        pictures["set.png"] = set_png(shown)
        for one in shown:
            pictures[f"{one.rod.part}.png"] = rod_png(one)
    except DeliveryError as error:
        return pictures, (str(error),)
    return pictures, ()


def _shown(root: Path, spec: Spec) -> list[ShownRod]:
    from labkit.exports.shading import ShownRod
    from labkit.exports.stl_reader import read_stl

    template = template_of(spec)
    return [
        ShownRod(rod_of(part, template), read_stl(root / part["files"]["stl"]))
        for part in spec["parts"]
    ]


def _drawing(root: Path, spec: Spec) -> dict[str, bytes]:
    from labkit.exports.hidden_lines import views_of

    subject = rod_drawing.subject_of(spec)
    sheet = rod_drawing.draw(spec, views_of(root / rod_drawing.step_file(spec), subject.request))
    facts, lines = rod_drawing.pdf_facts(spec, sheet), rod_drawing.pdf_pictures(sheet)
    return {
        f"{DRAWING}.pdf": compile_pdf(rod_drawing.TEMPLATE, facts, profile_of(spec), lines),
        f"{DRAWING}.svg": rod_drawing.to_svg(sheet),
        f"{DRAWING}.dxf": rod_drawing.to_dxf(sheet),
    }


def open_set(root: Path) -> dict[str, Any]:
    """Read the spec of a finished set, after checking that its parts are as they were made.

    Args:
        root: Folder of the set.

    Returns:
        Content of its spacer-set.json.

    Raises:
        InputError: The folder is not a set, or a file of it is missing or was changed.
    """
    try:
        spec: dict[str, Any] = json.loads((root / SPEC_FILE).read_text("utf-8"))
        needed = [SPEC_FILE, *(name for part in spec["parts"] for name in part["files"].values())]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(
            f"is not a finished set ({SPEC_FILE} cannot be read); name the folder of a set",
            where=str(root),
        ) from error
    require_unchanged(root, needed)
    return spec


def remake_papers(
    root: Path, out: Path | None, profile: Profile | None, progress: Progress
) -> tuple[str, ...]:
    """Make the papers of a finished set again.

    Args:
        root: Folder of the set.
        out: Where the folders `documents` and `pictures` go; None for the set itself.
        profile: Another profile than the set's own; only with `out`.
        progress: Told the name of each file.

    Returns:
        Sentences on what this machine could not make.

    Raises:
        InputError: The folder is not a set, a file of it was changed, or another profile is to
            go into the set itself.
    """
    spec = open_set(root)
    if profile is not None:
        if out is None:
            raise InputError(
                "another profile than the set's own needs --out; the set keeps its own",
                field="profile",
            )
        spec = {**spec, "profile": profile_json(profile)}
    target = root if out is None else out
    try:
        target.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".papers-", dir=target) as folder:
            problems = write_papers(root, spec, Path(folder), progress)
            _put_in_place(Path(folder), target)
        if out is None:
            seal(root)
    except OSError as error:
        raise DeliveryError(
            f"the papers cannot be written to {target}: {error.strerror or error}; name a folder "
            "that can be written with --out"
        ) from error
    return problems


def _put_in_place(staging: Path, target: Path) -> None:
    """Replace file by file; what is not made anew is left alone."""
    for path in sorted(staging.rglob("*")):
        place = target / path.relative_to(staging)
        if path.is_dir():
            place.mkdir(exist_ok=True)
        else:
            path.replace(place)
