"""Prints a report on paper: findings first, then words, tables and pictures; as PDF and files."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from filelock import FileLock

from labkit.catalog.profiles import Profile
from labkit.core.cautions import CAUTIONS
from labkit.core.report import On, Report, Section, Table, is_number_column
from labkit.documents.figures import on_paper
from labkit.documents.render import compile_pdf
from labkit.errors import DeliveryError
from labkit.locks import only_one

TEMPLATE = "process-report.typ"
NOTHING_BESIDE: Mapping[str, bytes] = MappingProxyType({})
#: A column with a cell longer than this takes what width is left and breaks its lines.
_LONG_CELL = 22


def report_pdf(report: Report, profile: Profile) -> bytes:
    """Set a report as a PDF, readable by screen readers; the same report gives the same bytes.

    Args:
        profile: The lab's profile: name, logo, paper.

    Raises:
        InputError: The lab's own template cannot be set.
    """
    drawn = {name: content for name, content in _pictures(report) if name.endswith(".svg")}
    return compile_pdf(TEMPLATE, _facts(report, profile), profile, drawn)


def write_report(
    report: Report, out: Path, profile: Profile, beside: Mapping[str, bytes] = NOTHING_BESIDE
) -> list[Path]:
    """Write the PDF and every picture into a new folder, which then is whole or absent.

    Args:
        out: Folder to make; it may be there if it is empty.
        beside: Further files, by name.

    Returns:
        The files written, the PDF first.

    Raises:
        DeliveryError: There is such a folder with something in it, or it cannot be written.
        InputError: As for `report_pdf`.
    """
    refuse_taken(out)
    files = {f"{report.name}.pdf": report_pdf(report, profile), **dict(_pictures(report)), **beside}
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        staging = out.parent / f".{out.name}.unfinished"
        with only_one(FileLock(out.parent / f".{out.name}.lock")):
            shutil.rmtree(staging, ignore_errors=True)  # of a killed run
            staging.mkdir()
            try:
                for name, content in files.items():
                    (staging / name).write_bytes(content)
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
            f"{out} is there already; an existing report is never overwritten; name a new folder",
            field="report", value=str(out),
        )
    if inside is not None:
        raise DeliveryError(
            f"{out} cannot be made: {inside} is a file; name another folder",
            field="report", value=str(out),
        )


def _unwritable(out: Path, error: OSError) -> DeliveryError:
    return DeliveryError(
        f"{out} cannot be written: {error.strerror or error}; make its folder and give it room "
        "and rights", field="report", value=str(out),
    )


def _pictures(report: Report) -> Iterator[tuple[str, bytes]]:
    for section in report.parts(On.PAPER):
        if section.plot is not None:
            yield from section.plot.files.items()


def _facts(report: Report, profile: Profile) -> dict[str, Any]:
    cautions = profile.texts.of("process-report").translated(list(CAUTIONS))
    return {
        "subject": report.title,
        "date": report.date,
        "cautions": cautions,
        "title": report.title,
        "subtitle": report.subtitle,
        "facts": [list(pair) for pair in report.facts],
        "findings": [on_paper(finding.message) for finding in report.findings],
        "sections": [_section(section) for section in report.parts(On.PAPER)],
    }


def _section(section: Section) -> dict[str, Any]:
    plot, table = section.plot, (section.table or Table((), ())).shown(On.PAPER)
    rows = [list(row) for row in table.texts]
    return {
        "heading": section.heading,
        "paragraphs": [*section.notes, *section.words],
        "head": list(table.heads),
        "rows": rows,
        "columns": [_kind([row[n] for row in rows]) for n in range(len(table.heads))],
        "picture": f"{plot.name}.svg" if plot else None,
        "alt": plot.alt if plot else "",
    }


def _kind(cells: list[str]) -> str:
    """Tell whether a column is one of numbers, which stand at the right, of words or sentences."""
    if is_number_column(cells):
        return "number"
    return "sentences" if any(len(cell) > _LONG_CELL for cell in cells) else "words"
