"""From a prescription file to graded lengths: the first half of every job."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from labkit.catalog.lettering import load_lettering
from labkit.catalog.prescriptions import read_typed
from labkit.catalog.toml_source import TomlSource
from labkit.core.findings import Finding, refused
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Prescription
from labkit.core.grading.steps import LengthLimits, SpacerSet
from labkit.core.label.layout import lay_out
from labkit.core.label.place import require_fit
from labkit.core.rod.parts import parts_of
from labkit.core.rod.rods import RodTemplate
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
    template = templates[prescription.template]
    graded = grade(prescription, LengthLimits.of(template))
    found = (*_labels_without_room(graded, template), *remarks, *graded.findings)
    return Case(source, prescription, template, replace(graded, findings=found))


def _labels_without_room(graded: SpacerSet, template: RodTemplate) -> Iterator[Finding]:
    """Find labels that do not fit their rods: such a set cannot be made."""
    if graded.refused:
        return
    lettering = load_lettering()
    for part in parts_of(graded, template):
        rod = part.rod
        try:
            engraving = lay_out(lettering, rod.engraving, rod.bar, template.label.height_mm)
            require_fit(lettering, template, engraving, float(rod.length))
        except LabelError as error:
            yield refused("label_does_not_fit", error.message, rod.part)


def refuse_if_refused(case: Case) -> None:
    """Stop a case that a rule of the trade refuses.

    Raises:
        RefusedError: With the sentence of every refusal.
    """
    if case.refusals:
        name, messages = case.source.name, [finding.message for finding in case.refusals]
        raise RefusedError(f"\n{name}: ".join(messages), field=case.refusals[0].code, where=name)
