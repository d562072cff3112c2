"""Prescriptions that a clinic sends: looked at as any prescription, and written as files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from labkit.core.clinic import ClinicFile, PrescriptionTold
from labkit.core.report import Column, On, Report, Section, Table
from labkit.core.rod.rods import RodTemplate
from labkit.errors import DeliveryError, InputError, InputErrors, LabkitError, RefusedError
from labkit.exports.write.put import put_new, refuse_existing, sweep
from labkit.exports.write.set_folder import safe_name
from labkit.ledger.queries import Reader
from labkit.units import millimetres
from labkit.workflow.intake.acts import RecordPrescription
from labkit.workflow.intake.means import Means
from labkit.workflow.intake.prescriptions import TextSource, read_texts
from labkit.workflow.record.case_mark import refuse_other_mark
from labkit.workflow.record.prescribe import refuse_undoing
from labkit.workflow.sets.cases import Case, open_case
from labkit.workflow.sets.lengths_report import lengths_report


@dataclass(frozen=True)
class Sent:
    """Prescriptions that can be used.

    Args:
        cases: Each read and graded; none is refused.
        out: Folder that their files go to; None where nobody said.
    """

    cases: tuple[Case, ...]
    out: Path | None

    def path(self, case: Case) -> Path:
        """Give the place of a prescription's file."""
        name = f"{safe_name(case.prescription.case)}.toml"
        return Path(name) if self.out is None else self.out / name


def looked_at(
    sources: Sequence[TextSource], templates: Mapping[str, RodTemplate], out: Path | None
) -> Sent:
    """Read and grade prescriptions; all of them are usable, or every mistake is told.

    Raises:
        InputErrors: Mistakes of form, each where its text stood; what a rule of the trade refuses;
            two of one case. The exit status is that of the gravest.
    """
    cases: list[Case] = []
    wrong: list[LabkitError] = []
    for source in sources:
        try:
            case = open_case(source, dict(templates))
        except InputErrors as errors:
            wrong += errors.errors
            continue
        wrong += _refused(source, case)
        wrong += _twice(source, case, cases)
        cases.append(case)
    if wrong:
        told = InputErrors(tuple(wrong))
        told.exit_code = max(error.exit_code for error in wrong)
        raise told
    return Sent(tuple(cases), out)


def _refused(source: TextSource, case: Case) -> Iterator[LabkitError]:
    for finding in case.refusals:
        where = source.place(tuple(finding.where.split(".")))
        yield RefusedError(finding.message, where=where, field=finding.code)


def _twice(source: TextSource, case: Case, before: Sequence[Case]) -> Iterator[LabkitError]:
    number = case.prescription.case
    for earlier in before:
        if safe_name(earlier.prescription.case) == safe_name(number):
            yield InputError(
                f"the case {number} is in {earlier.source.name} already; send one prescription "
                "for each case",
                where=source.place(("case",)), field="case",
            )
            return


def write_prescriptions(sent: Sent) -> tuple[Path, ...]:
    """Write each prescription as a file, where none of the others is in the way.

    Raises:
        DeliveryError: There is such a file, or one cannot be written.
    """
    files = {sent.path(case): case.source.text.encode() for case in sent.cases}
    new = {path: text for path, text in files.items() if not _there(path, text)}
    for path in new:
        refuse_existing(path)
    if sent.out is not None:
        _begin(sent.out)
    for path, text in files.items():
        if path in new:
            put_new(path, text)
        else:
            sweep(path)
    return tuple(files)


def _begin(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DeliveryError(
            f"{folder} cannot be made ({error.strerror or error}); name another folder with --out",
            field="out", value=str(folder),
        ) from error


def _there(path: Path, text: bytes) -> bool:
    """Tell whether a file has this text already: what was sent is taken in again."""
    return path.is_file() and path.stat().st_size == len(text) and path.read_bytes() == text


def means_of_prescription(
    reader: Reader | None, file: ClinicFile, sent: Sent
) -> Means:
    """Say what becomes of one prescription: a file, and a revision where the case is recorded.

    Args:
        reader: The record; None where there is none yet.
    """
    (case,), path = sent.cases, str(sent.path(sent.cases[0]))
    known = reader is not None and reader.has_case(file.case)
    refused: list[str] = []
    act = RecordPrescription(file.case, case.source, path, file.remark, known)
    if reader is not None and known:
        for look in (refuse_undoing, lambda r, c: refuse_other_mark(r, c.prescription, path)):
            try:
                look(reader, case)
            except LabkitError as error:
                refused.append(error.message)
    report = lengths_report(case)
    return Means(
        says=("A revised prescription of a recorded case." if known else
              "A prescription of a new case.",),
        sections=report.sections,
        acts=() if refused else (act,),
        refused=tuple(refused),
        waits=_waits(sent, path, known=known),
        data=report.data,
    )


def _waits(sent: Sent, path: str, *, known: bool) -> str:
    if sent.out is None:
        return "a prescription becomes a file first; name a folder for it with --out"
    if not known:
        return f"the case is not recorded; its set is made with `labkit make {path} --out sets`"
    return ""


def source_of(file: ClinicFile, told: PrescriptionTold, name: str) -> TextSource:
    """Read the prescription that a sheet tells.

    Raises:
        InputError: It is of another case than the sheet.
        InputErrors: As `read_texts`.
    """
    keys = {"case": file.case, "date": str(file.on), **told.keys}
    if keys["case"] != file.case:
        raise InputError(
            f"the prescription is of the case {keys['case']!r}, and the sheet of {file.case!r}; "
            "ask the clinic which case is meant",
            where=name, field="told.keys.case", value=keys["case"],
        )
    return read_texts(keys, name)


_ROWS = (
    Column("case", "prescription.case", "case"),
    Column("date", "prescription.date", "date"),
    Column("range, mm", "spacer_set.range_mm", "range_mm", millimetres),
    Column("steps", lambda case: len(case.spacer_set.steps), "steps"),
    Column("from", "source.name", "from"),
)


def sent_report(sent: Sent) -> Report:
    """List prescriptions of a table, and the files that they become."""
    paths = {case.prescription.case: str(sent.path(case)) for case in sent.cases}
    place = Column(
        None if sent.out is None else "file", lambda case: paths[case.prescription.case], "file",
        lambda path: Path(path).name,
    )
    table = Table.of((*_ROWS, place), sent.cases)
    notes = tuple(
        f"Note: {case.prescription.case}: {finding.message}"
        for case in sent.cases for finding in case.spacer_set.findings
    )
    what = "Nothing was written; with --out DIR each becomes a file." if sent.out is None else (
        f"Each is now a prescription file in {sent.out}; nothing was recorded or made."
    )
    return Report(
        "Prescriptions",
        (Section("Prescriptions", notes, table), Section(words=(what,), on=On.COMMANDS)),
        {"schema": 1, "prescriptions": table.records},
    )
