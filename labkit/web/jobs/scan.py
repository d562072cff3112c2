"""The scan of a rod, measured in the background and recorded as the command records it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from labkit.catalog.instruments import find_instrument, instruments
from labkit.catalog.lettering import load_lettering
from labkit.core.report import On, Report
from labkit.exports.scan.measure import USUAL_U_MM
from labkit.web.jobs.job import Order
from labkit.workflow.inspection.inspect import record_readings
from labkit.workflow.inspection.measure import judged, measure_file, rod_on_record
from labkit.workflow.inspection.measure_report import scan_report
from labkit.workflow.record.recorder import Recorder


def measure_scan(order: Order, recorder: Recorder) -> tuple[str, ...]:
    """Measure a scan and record what it tells of its rod.

    Returns:
        What was found, a sentence each.

    Raises:
        InputError: The file is none of a scan, or something named is not there.
        RefusedError: It cannot be measured; the rod was measured before and no reason is given.
    """
    path = Path(order.asked["path"])
    try:
        return _measured(order, recorder, path)
    finally:
        path.unlink(missing_ok=True)


def _measured(order: Order, recorder: Recorder, path: Path) -> tuple[str, ...]:
    asked, ledger, now = order.asked, recorder.ledger, recorder.now()
    known = instruments(order.own.instruments)
    scanner = find_instrument(known, asked["instrument"]) if asked.get("instrument") else None
    record = rod_on_record(ledger, asked["rod"], known)
    templates = {record.template.name: record.template}
    scanned = measure_file(
        path, templates, load_lettering(), scanner, record.place,
        float(asked.get("most_u_mm", USUAL_U_MM)),
    )
    scanned = replace(scanned, file=asked["file"])
    celsius = float(asked["temperature_c"]) if "temperature_c" in asked else None
    rod = judged(record, scanned, scanner, now.astimezone().date(), celsius)
    (entry,) = record_readings(
        ledger, record.inspection, [rod], (order.by, now), asked.get("again") or None,
        order.own.profile_named(),
    )
    return (*lines_of(scan_report(scanned, rod)), f"Recorded by {order.by} as entry {entry}.")


def lines_of(report: Report) -> Iterator[str]:
    """Give a report as lines: headings, rows of tables, sentences, findings."""
    for section in report.parts(On.SCREEN):
        if section.heading:
            yield section.heading
        if section.table is not None:
            shown = section.table.shown(On.SCREEN)
            for row in shown.texts:
                cells = zip(shown.heads, row, strict=True)
                yield ", ".join(f"{head} {cell}".strip() for head, cell in cells if cell)
        yield from filter(None, section.words)
        yield from (finding.message for finding in section.findings)
