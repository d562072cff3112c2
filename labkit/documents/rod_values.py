"""Rods, template and compensation taken back out of the content of spacer-set.json."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from labkit.core.form.read import from_record
from labkit.core.rod.rods import Compensation, Hand, Rod, RodTemplate
from labkit.errors import InputError


def template_of(spec: Mapping[str, Any]) -> RodTemplate:
    """Rebuild the rod template that a set was made from.

    Args:
        spec: Content of spacer-set.json.

    Raises:
        InputError: The content is not that of a set.
    """
    return from_record(RodTemplate, spec.get("template"), "set's template")


def compensation_of(spec: Mapping[str, Any]) -> Compensation:
    """Rebuild the compensation of the process that a set was made with.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        Factor and offsets, mm.

    Raises:
        InputError: The content is not that of a set.
    """
    try:
        own = spec["process"]["compensation"]
    except (KeyError, TypeError) as error:
        raise _unreadable("process.compensation", error) from error
    return from_record(Compensation, own, "compensation of the set's process")


def rod_of(part: Mapping[str, Any], template: RodTemplate) -> Rod:
    """Rebuild the rod of one part of a set.

    Raises:
        InputError: The content is not that of a part.
    """
    try:
        return Rod(
            template=template,
            length=Decimal(part["length_mm"]),
            hand=Hand(part["hand"]),
            mark=part["mark"],
            bar=part["engraving"]["bar"],
        )
    except (KeyError, TypeError, ValueError, ArithmeticError) as error:
        raise _unreadable("parts", error) from error


def _unreadable(field: str, error: Exception) -> InputError:
    return InputError(
        f"the set's {field} cannot be read from its spacer-set.json ({error}); use the file that "
        "`labkit make` wrote, unchanged",
        field=field,
    )
