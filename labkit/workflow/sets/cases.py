"""From a prescription file to graded lengths: the first half of every job."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

from labkit.catalog.lettering import load_lettering
from labkit.catalog.prescriptions import read_typed
from labkit.catalog.toml_source import TomlSource
from labkit.core.findings import Finding, refused
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Prescription
from labkit.core.grading.steps import LengthLimits, SpacerSet
from labkit.core.label.place import lay_out_rod, require_fit
from labkit.core.rod.parts import parts_of
from labkit.core.rod.rods import Rod, RodTemplate
from labkit.errors import LabelError, RefusedError


@dataclass(frozen=True)
class Case:
    """A prescription with its template and its graded lengths.

    Args:
        marked: Whether rods of a template without hand bear L and R, where other rods of the case
            decide it; None where the steps of this set do.
    """

    source: TomlSource
    prescription: Prescription
    template: RodTemplate
    spacer_set: SpacerSet
    marked: bool | None = None

    @property
    def refusals(self) -> tuple[Finding, ...]:
        """The findings that stop the set."""
        return self.spacer_set.refused


def open_case(source: TomlSource, templates: dict[str, RodTemplate]) -> Case:
    """Read a prescription and grade it.

    Returns:
        The case; refusals of the trade are among its findings, not raised.

    Raises:
        InputError: The file is not a usable prescription.
    """
    prescription, remarks = read_typed(source, templates)
    template = templates[prescription.template].used_for(prescription.case_mark)
    graded = grade(prescription, LengthLimits.of(template))
    room = _without_room(graded, template, prescription.case_mark)
    found = (*room, *remarks, *graded.findings)
    return Case(source, prescription, template, replace(graded, findings=found))


def _without_room(graded: SpacerSet, template: RodTemplate, case_mark: str) -> Iterator[Finding]:
    """Find labels and case marks that do not fit their rods: such a set cannot be made."""
    if graded.refused:
        return
    of_mark = None
    for part in parts_of(graded, template, None, case_mark):
        error = _too_little_room(part.rod)
        if error is not None and error.field == "case_mark":
            of_mark = error.message
        elif error is not None:
            yield refused("label_does_not_fit", error.message, part.rod.part)
    if of_mark is not None:  # told once, of the shortest rod without room
        yield refused("case_mark_without_room", of_mark, "case_mark")


@lru_cache(maxsize=4096)
def _too_little_room(rod: Rod) -> LabelError | None:
    """Say what keeps the label from fitting; laid out once for each rod, since people try steps."""
    lettering = load_lettering()
    try:
        require_fit(lettering, rod.template, lay_out_rod(lettering, rod), float(rod.length))
    except LabelError as error:
        return error
    return None


def refuse_if_refused(case: Case) -> None:
    """Stop a case that a rule of the trade refuses.

    Raises:
        RefusedError: With the sentence of every refusal.
    """
    if case.refusals:
        name, messages = case.source.name, [finding.message for finding in case.refusals]
        raise RefusedError(f"\n{name}: ".join(messages), field=case.refusals[0].code, where=name)
