"""Facts of the build sheet: what the technician builds, from which files, and what follows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from pathlib import PurePosixPath
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.core.rod.compensation import compensated
from labkit.core.rod.fittings import FITTINGS
from labkit.core.rod.rods import NOMINAL, Compensation, RodTemplate
from labkit.documents.figures import sentence, signed
from labkit.documents.frame import frame_facts
from labkit.documents.lying_words import build_height_mm, lying_sentences, way_of
from labkit.documents.plate_picture import plate_drawing
from labkit.documents.set_picture import caption_of
from labkit.documents.set_spec import (
    SetPart,
    Spec,
    part_of,
    prescription_of,
    process_of,
    template_of,
)
from labkit.documents.standing import marked_places
from labkit.documents.svg import to_svg
from labkit.units import plain

#: Longer names of files would leave no room for the other columns.
_LONGEST_NAME = 32
#: A number stays with what it counts.
_TIMES = "\N{NO-BREAK SPACE}×\N{NO-BREAK SPACE}"


def facts(spec: Spec) -> dict[str, Any]:
    """Work out what stands on the build sheet."""
    template, process = template_of(spec), process_of(spec)
    parts = [part_of(part) for part in spec["parts"]]
    compensation, stem = process.compensation, _long_stem(parts)
    return {
        **frame_facts(spec),
        "template": f"{template.title} ({template.name})",
        "hardware": template.hardware,
        "process": f"{process.title} ({process.name})",
        "machine": process.machine,
        "material": process.material,
        "evidence": process.evidence,
        "pieces": sum(part.quantity for part in parts),
        "parts": [
            {**_part(part, template, compensation, stem), "mark": marked_places(spec, part.uses)}
            for part in parts
        ],
        "stem": stem,
        "compensation": (
            [] if compensation == NOMINAL else list(_compensation(template, compensation))
        ),
        "handed": template.handed,
        "fittings": _fittings(template),
        "case_mark": prescription_of(spec).case_mark,
        "barred": [f"{part.length}" for part in parts if part.engraving.bar],
        "orientation": [
            words for plate in spec["plates"][:1]  # all plates of a set lie alike
            for words in lying_sentences(template, process, way_of(plate))
        ],
        "plates": [
            _plate(plate, number, f"{build_height_mm(plate, parts, template, process):.1f} mm")
            for number, plate in enumerate(spec["plates"], 1)
        ],
    }


def pictures(spec: Spec) -> dict[str, bytes]:
    """Draw the build plates.

    Returns:
        SVG files by name, "plate-1.svg" and so on.
    """
    lettering = load_lettering()
    return {
        f"plate-{index + 1}.svg": to_svg(plate_drawing(spec, index, lettering))
        for index in range(len(spec["plates"]))
    }


def _long_stem(parts: Sequence[SetPart]) -> str:
    """Give what all files' names begin with, where they are too long for a column."""
    names = [_stl_name(part) for part in parts]
    stem = names[0].removesuffix(f"{parts[0].part}.stl")
    long = max(map(len, names)) > _LONGEST_NAME
    return stem if long and all(name.startswith(stem) for name in names) else ""


def _stl_name(part: SetPart) -> str:
    return PurePosixPath(part.files.stl).name


def _part(
    part: SetPart, template: RodTemplate, compensation: Compensation, stem: str
) -> dict[str, Any]:
    built = compensated(template, part.length, compensation)
    return {
        "part": part.part,
        "quantity": part.quantity,
        "uses": caption_of(part.uses),
        "nominal": f"{part.length}",
        "built": f"{built.length_mm:.3f}",
        "file": ("…" if stem else "") + _stl_name(part).removeprefix(stem),
    }


def _plate(plate: Mapping[str, Any], number: int, height: str) -> dict[str, Any]:
    width, depth = (plain(size) for size in plate["bed_mm"])
    return {
        "picture": f"plate-{number}.svg",
        "number": number,
        "file": PurePosixPath(plate["file"]).name,
        "pieces": len(plate["placements"]),
        "bed": f"{width} × {depth} mm",
        "height": height,
        "items": ", ".join(f"{item['quantity']}{_TIMES}{item['part']}" for item in plate["items"]),
    }


def _fittings(template: RodTemplate) -> str:
    """Say what to look for at the ends."""
    kinds = (template.lower.kind, template.upper.kind)
    found = [one.look_for for kind, one in FITTINGS.items() if kind in kinds]
    return sentence(", ".join(found)).rstrip(".")


def _compensation(template: RodTemplate, by: Compensation) -> Iterator[dict[str, str]]:
    """List what the process adds: the length's formula, then each kind of fitting once."""
    scale, offset = plain(by.length_scale), signed(by.length_offset_mm, 3)
    yield {
        "what": "Functional length",
        "nominal": "see list",
        "rule": f"× {scale}, {offset} mm",
        "built": "see list",
    }
    seen = set()
    for nominal, built in zip(_ends(template, Compensation()), _ends(template, by), strict=True):
        if nominal not in seen:
            seen.add(nominal)
            yield {
                "what": nominal[0],
                "nominal": f"{nominal[1]} mm",
                "rule": f"{signed(float(Decimal(built[1]) - Decimal(nominal[1])), 3)} mm",
                "built": f"{built[1]} mm",
            }
    if wider := by.label_stroke_offset_mm:
        stroke = load_lettering().stroke * template.label.height_mm
        yield {
            "what": "Engraved strokes", "nominal": f"{stroke:.3f} mm",
            "rule": f"{signed(wider, 3)} mm", "built": f"{stroke + wider:.3f} mm",
        }


def _ends(template: RodTemplate, by: Compensation) -> Iterator[tuple[str, str]]:
    for fitting in compensated(template, template.shortest_mm, by).fittings:
        yield f"{fitting.noun.capitalize()} diameter", f"{fitting.diameter_mm:.3f}"
