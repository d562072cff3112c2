"""Measuring scans of rods: length and uncertainty, decision on a recorded rod, the record."""

from __future__ import annotations

import datetime
import hashlib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labkit.core.case.identifier import grouped
from labkit.core.findings import Finding, note
from labkit.core.gauging.instruments import Instrument, InstrumentKind
from labkit.core.gauging.ways_of_measuring import Method, ways_of
from labkit.core.jsonable import jsonable
from labkit.core.label.lettering import Lettering
from labkit.core.report import Column, Table, only
from labkit.core.rod.rods import EXPANSION_PER_C, RodTemplate
from labkit.documents.set_spec import template_of
from labkit.errors import InputError, RefusedError
from labkit.exports.scan.file import scan_bytes
from labkit.exports.scan.form import factor_within
from labkit.exports.scan.measure import USUAL_U_MM, EndSeen, ScanMeasure, measure_scan
from labkit.ledger.queries import Reader
from labkit.qa.decision.bench import Place
from labkit.qa.decision.budget import GAUGE, RESOLUTION, length_budget
from labkit.qa.decision.readings import RodReadings, Source
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.qa.decision.taken import LEAST_NOISE_MM
from labkit.qa.decision.temperature import Correction
from labkit.qa.uncertainty import Budget, Component, tenths
from labkit.units import plain
from labkit.workflow.inspection.inspect import Inspection, inspect, require_calibrated
from labkit.workflow.record.case_mark import case_mark_of
from labkit.workflow.record.lookup import stored_rod

#: Name of what the scan's own points leave uncertain.
FIT = "fit to the scan"
#: Name of what the scanner's smooth errors do to it.
FORM = "form error of the scanner"


@dataclass(frozen=True)
class Scanned:
    """A scan as measured.

    Args:
        budget: Uncertainty of the length with the scanner's own errors, as far as they are known.
        notes: What should be known beside the scan's own findings.
    """

    file: str
    sha256: str
    measure: ScanMeasure
    budget: Budget
    notes: tuple[Finding, ...] = ()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything that should be known before the length is used."""
        faults = (note("scan_fault", fault) for fault in self.measure.faults)
        return (*faults, *self.measure.findings, *self.notes)


#: What is kept of a fitting in a scan.
KEPT_OF_END = (
    *only("kind", "diameter_mm", "u_mm"),
    Column(None, lambda end: str(end.limits.least_mm) if end.limits else None, "least_mm"),
    Column(None, lambda end: str(end.limits.most_mm) if end.limits else None, "most_mm"),
    *only("seen", "rms_mm", "tilt_deg", "points", "round_mm"),
)


def kept_end(end: EndSeen) -> dict[str, Any]:
    """Give a fitting as measured, for the record and for programs."""
    return Table.of(KEPT_OF_END, [end]).records[0]


def measure_file(
    path: Path,
    templates: Mapping[str, RodTemplate],
    lettering: Lettering,
    instrument: Instrument | None = None,
    place: Place | None = None,
    most_u_mm: float = USUAL_U_MM,
) -> Scanned:
    """Measure a scan and state the uncertainty of its length.

    Args:
        most_u_mm: Largest standard uncertainty by the scan alone that is taken.

    Raises:
        InputError: The file is none of a scan.
        RefusedError: It cannot be measured, or the instrument is no scanner; it says why.
    """
    if instrument is not None and instrument.kind is not InstrumentKind.SCANNER:
        raise RefusedError(
            f"instrument {instrument.name} is a {instrument.kind}, and a scan comes from a "
            "scanner; name the scanner, or leave --instrument out",
            field="instrument", value=instrument.name,
        )
    if instrument is not None and instrument.form_mm is not None:
        # The points show the shorter waves of a form error that the scanner states.
        most_u_mm = math.hypot(most_u_mm, instrument.form_mm)
    measure = measure_scan(path, templates, lettering, most_u_mm)
    budget = scan_budget(measure, templates[measure.template], instrument, place)
    told = (*_unknown(instrument, place), *_drawn(measure))
    notes = tuple(note(code, words) for code, words in told)
    digest = hashlib.sha256(scan_bytes(path)).hexdigest()
    return Scanned(path.name, digest, measure, budget, notes)


def _unknown(
    instrument: Instrument | None, place: Place | None
) -> Iterator[tuple[str, str]]:
    """Say which errors of the scanner the uncertainty does not hold."""
    if instrument is None:
        yield (
            "scanner_unnamed",
            f"the uncertainty holds the process's usual gauge ({place.gauge_uncertainty_mm:g} mm) "
            "instead of the scanner's own errors; name the scanner with --instrument"
            if place is not None else
            "the uncertainty holds what the scan's points show and not the scanner's own errors "
            "(scale, form, temperature); name the scanner with --instrument",
        )
    elif instrument.form_mm is None:
        yield (
            "scanner_form",
            f"{instrument.name} states no form error, which no scan shows by itself and which may "
            "be the largest error of all; measure it on a ball of known size and write it into the "
            "instrument's file as form.error",
        )


def _drawn(measure: ScanMeasure) -> Iterator[tuple[str, str]]:
    if measure.noise_mm < LEAST_NOISE_MM:
        yield (
            "no_noise",
            f"its points scatter by less than {LEAST_NOISE_MM:g} mm, as those of a drawn model do "
            "and of a scan never; name the file that the scanner wrote",
        )


def scan_budget(
    measure: ScanMeasure, template: RodTemplate, instrument: Instrument | None,
    place: Place | None, corrected: Correction | None = None,
) -> Budget:
    """Work out the uncertainty of a scanned length.

    Formula: u² = u²(fit) + u²(form) + u²(scanner): form error times its factor at the worst of
    its wavelengths; calibration, repeatability, both terms of temperature as for any length
    between centres; without a named scanner the process's usual gauge.

    Source: JCGM 100:2008 (GUM), 5.1.2.
    """
    fit = Component(
        FIT, measure.u_mm, tenths(measure.dof), "A",
        f"noise {measure.noise_mm:.3f} mm, as far as neighbouring points err alike",
    )
    if instrument is not None:
        expansion = place.expansion_per_c if place is not None else EXPANSION_PER_C
        way = next(way for way in ways_of(template) if way.method is Method.CENTRES)
        whole = length_budget(instrument, way, measure.length_mm, 1, expansion, corrected)
        # The points' noise stands in place of a display's steps.
        others = (one for one in whole.components if one.name != RESOLUTION)
        return Budget((fit, *_form(measure, instrument), *others))
    if place is None:
        return Budget((fit,))
    return Budget((fit, Component(
        GAUGE, place.gauge_uncertainty_mm, math.inf, "B",
        f"{place.gauge_uncertainty_mm:g} mm, the lab's usual gauge by its process file, instead "
        "of the scanner's own errors",
    )))


def _form(measure: ScanMeasure, scanner: Instrument) -> tuple[Component, ...]:
    if scanner.form_mm is None:
        return ()
    waves = scanner.form_shortest_mm, scanner.form_longest_mm
    worst, factor = factor_within(measure.form, *waves)
    return (Component(
        FORM, factor * scanner.form_mm, math.inf, "B",
        f"{plain(scanner.form_mm)} mm, waves of {plain(waves[0])} to {plain(waves[1])} mm: worst "
        f"at {plain(round(worst, 1))} mm, times {factor:.2f}",
    ),)


@dataclass(frozen=True)
class RodOnRecord:
    """A rod of the ledger that a scan should show."""

    inspection: Inspection
    place: Place
    template: RodTemplate
    instruments: Mapping[str, Instrument]


def rod_on_record(
    reader: Reader, identifier: str, instruments: Mapping[str, Instrument]
) -> RodOnRecord:
    """Find the rod that a scan should show, with its set.

    Raises:
        InputError: The ledger does not know it.
        RefusedError: It fills no place of a made set.
    """
    rod = stored_rod(reader, identifier)
    inspection = inspect(reader, rod.case, rod.set_name, (), instruments)
    place = inspection.bench.by_identifier.get(rod.identifier)
    if place is None:
        raise RefusedError(
            f"the rod {rod.identifier} fills no place of the set {inspection.stored.name} (it is "
            f"{rod.state}); measure the rod that does",
            field="identifier", value=rod.identifier,
        )
    template = template_of({"template": inspection.stored.template.content})
    return RodOnRecord(inspection, place, template, instruments)


def judged(
    record: RodOnRecord, scanned: Scanned, instrument: Instrument | None, today: datetime.date,
    temperature_c: float | None = None,
) -> MeasuredRod:
    """Decide on a recorded rod by its scan.

    Returns:
        The rod with its decision; a label that was not read stays to be looked at, and so do the
        fittings: a scan's diameters are too coarse for their limits.

    Raises:
        RefusedError: The scanner's calibration has run out, nothing covers the temperature, or the
            rod bears the case mark of another case.
    """
    _require_own_mark(record, scanned.measure.label.case_mark)
    if instrument is not None:
        require_calibrated(instrument, today)
    measure, place = scanned.measure, record.place
    corrected = place.gauge(instrument).correction(temperature_c)
    length, budget = measure.length_mm, scanned.budget
    if corrected is not None:
        budget = scan_budget(measure, record.template, instrument, place, corrected)
        length += corrected.change_mm(length)
    readings = RodReadings(
        identifier=place.identifier,
        method=None,
        label_read=measure.label.engraving or None,
        instrument=instrument,
        temperature_c=temperature_c,
        measured_on=today,
        source=Source(scanned.file, scanned.sha256),
        scan={
            "lower": kept_end(measure.lower), "upper": kept_end(measure.upper),
            "label_problem": measure.label.problem or None, "bar": jsonable(measure.bar),
            "faults": list(measure.faults),
            **{name: getattr(measure, name) for name in (
                "noise_mm", "missing", "facets", "mesh_sha256",
            )},
        },
    )
    return record.inspection.bench.judged(readings, None, (length, budget))


def _require_own_mark(record: RodOnRecord, read: str) -> None:
    own, case = case_mark_of(record.inspection.stored.prescription), record.inspection.stored.case
    if read and read != own:
        bear = f"bear {own}" if own else "bear none"
        raise RefusedError(
            f"the scan shows the case mark {read}, but rods of this set of {case} {bear}: it is a "
            f"rod of another case; scan the rod {grouped(record.place.identifier)}; nothing was "
            "recorded",
            field="case_mark", value=read,
        )


def require_one_rod(files: int, identifier: str | None, by: str | None) -> None:
    """Refuse options that do not go together.

    Raises:
        InputError: One rod for several scans, or nothing to record under.
    """
    if identifier is not None and files > 1:
        raise InputError(
            f"{files} scans for one rod; measure one scan at a time with --rod", field="rod"
        )
    if identifier is None and by is not None:
        raise InputError(
            "--by records a reading of a rod, and no rod is named; name it with --rod, or leave "
            "--by out", field="by",
        )
