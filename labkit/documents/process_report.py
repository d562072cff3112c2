"""A report on a process, a gauge or a calibration: findings first, then words, tables, pictures."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from labkit.catalog.profiles import Profile
from labkit.core.cautions import CAUTIONS
from labkit.documents.render import compile_pdf
from labkit.errors import DeliveryError, InputError

TEMPLATE = "process-report.typ"
#: What stands in a column of numbers: signs, digits, units of share, a range.
_NUMBER = re.compile(
    r"[<>≤≥±]?\s?[+−-]?[\d.,  ]+(\s?%)?( (to|…|of) [+−-]?[\d.,]+)?"
    r"( per million)?|[–—-]?"
)
#: A column with a cell longer than this takes what width is left and breaks its lines.
_LONG_CELL = 22


@dataclass(frozen=True)
class Section:
    """One part of a report.

    Args:
        head: Heads of the table's columns; they repeat on each page.
        rows: Rows of the table, as many cells each as there are heads.
        picture: Name of an SVG among the report's pictures.
        alt: What the picture shows, for people who cannot see it.
    """

    heading: str
    paragraphs: tuple[str, ...] = ()
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    picture: str | None = None
    alt: str = ""

    def __post_init__(self) -> None:
        if any(len(row) != len(self.head) for row in self.rows):
            raise InputError(
                f"the table {self.heading!r} has {len(self.head)} heads and a row of another "
                "number of cells; give every row as many cells as there are heads", field="rows",
            )
        if self.picture is not None and not self.alt:
            raise InputError(
                f"the picture of {self.heading!r} has no words for people who cannot see it; say "
                "what it shows", field="alt",
            )


@dataclass(frozen=True)
class Report:
    """A whole report.

    Args:
        title: Title, such as "Capability of a process".
        subtitle: What it is about, such as the process's name.
        facts: Labels and values that stand first.
        sections: The parts, in order.
        findings: What to know before reading on, whole sentences.
        pictures: Files by name: the SVGs that sections show, and PNGs for other uses.
        name: File name of the PDF, without ending.
    """

    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    findings: tuple[str, ...]
    pictures: Mapping[str, bytes] = field(repr=False)
    date: str
    name: str = "report"

    def __post_init__(self) -> None:
        date.fromisoformat(self.date)
        missing = [s.picture for s in self.sections if s.picture and s.picture not in self.pictures]
        if missing:
            raise InputError(
                f"the report shows {missing[0]!r}, which is not among its pictures", field="picture"
            )


def report_pdf(report: Report, profile: Profile) -> bytes:
    """Set a report as a PDF, readable by screen readers; the same report gives the same bytes.

    Args:
        profile: The lab's profile: name, logo, paper.

    Raises:
        InputError: The lab's own template cannot be set.
    """
    shown = {section.picture for section in report.sections}
    drawn = {name: content for name, content in report.pictures.items() if name in shown}
    return compile_pdf(TEMPLATE, _facts(report, profile), profile, drawn)


def write_report(report: Report, out: Path, profile: Profile) -> list[Path]:
    """Write the PDF and every picture into a new folder, which then is whole or absent.

    Args:
        out: Folder to make; it may be there if it is empty.

    Returns:
        The files written, the PDF first.

    Raises:
        DeliveryError: There is such a folder with something in it, or it cannot be written.
        InputError: As for `report_pdf`.
    """
    refuse_taken(out)
    files = {f"{report.name}.pdf": report_pdf(report, profile), **report.pictures}
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
        try:
            for name, content in files.items():
                (staging / name).write_bytes(content)
            staging.chmod(0o755)
            staging.replace(out)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    except OSError as error:
        raise _unwritable(out, error) from error
    return [out / name for name in files]


def refuse_taken(out: Path) -> None:
    """Refuse a place that is taken, before any work is done for it.

    Raises:
        DeliveryError: It is a file, a folder with something in it, inside a file, or no name that
            a folder can have.
    """
    try:
        taken = out.is_file() or (out.is_dir() and any(out.iterdir()))
        inside = next((above for above in out.parents if above.is_file()), None)
    except OSError as error:
        raise _unwritable(out, error) from error
    if taken:
        raise DeliveryError(
            f"{out} is there already; a report never goes over another: name a new folder",
            field="report", value=str(out),
        )
    if inside is not None:
        raise DeliveryError(
            f"{out} cannot be made: {inside} is a file; name a folder inside of folders",
            field="report", value=str(out),
        )


def _unwritable(out: Path, error: OSError) -> DeliveryError:
    return DeliveryError(
        f"{out} cannot be written: {error.strerror or error}; make its folder and give it room "
        "and rights", field="report", value=str(out),
    )


def _facts(report: Report, profile: Profile) -> dict[str, Any]:
    cautions = profile.texts.of("process-report").translated(list(CAUTIONS))
    return {
        "subject": report.title,
        "date": report.date,
        "cautions": cautions,
        "title": report.title,
        "subtitle": report.subtitle,
        "facts": [list(pair) for pair in report.facts],
        "findings": list(report.findings),
        "sections": [_section(section) for section in report.sections],
    }


def _section(section: Section) -> dict[str, Any]:
    return {
        "heading": section.heading,
        "paragraphs": list(section.paragraphs),
        "head": list(section.head),
        "rows": [list(row) for row in section.rows],
        "columns": [_kind([row[n] for row in section.rows]) for n in range(len(section.head))],
        "picture": section.picture,
        "alt": section.alt,
    }


def _kind(cells: list[str]) -> str:
    """Tell whether a column is one of numbers, which stand at the right, of words or sentences."""
    if is_number_column(cells):
        return "number"
    return "sentences" if any(len(cell) > _LONG_CELL for cell in cells) else "words"


def is_number_column(cells: Iterable[str]) -> bool:
    """Tell whether all cells of a column are numbers, ranges, shares or a dash.

    >>> is_number_column(["1.33", "0.98 to 1.70", "–"]), is_number_column(["B-17", "3"])
    (True, False)
    """
    return all(_NUMBER.fullmatch(cell) for cell in cells)
