"""Rods, template and compensation taken back out of the content of spacer-set.json."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from labkit.core.rod.rods import (
    Ball,
    Body,
    Compensation,
    Crosspin,
    Eye,
    Fitting,
    FlatBar,
    Hand,
    LabelPlace,
    Rod,
    RodTemplate,
    RoundBar,
)
from labkit.errors import InputError

_FITTINGS: dict[str, type[Eye] | type[Ball] | type[Crosspin]] = {
    "eye": Eye, "ball": Ball, "crosspin": Crosspin,
}


def template_of(spec: Mapping[str, Any]) -> RodTemplate:
    """Rebuild the rod template that a set was made from.

    Args:
        spec: Content of spacer-set.json.

    Raises:
        InputError: The content is not that of a set.
    """
    try:
        own = dict(spec["template"])
        return RodTemplate(
            name=own["name"],
            title=own["title"],
            description=own["description"],
            hardware=own["hardware"],
            body=_body(own["body"]),
            lower=_fitting(own["lower"]),
            upper=_fitting(own["upper"]),
            label=LabelPlace(**own["label"]),
            shortest_mm=_decimal(own["shortest_mm"]),
            longest_mm=_decimal(own["longest_mm"]),
            length_tolerance=own["length_tolerance"],
        )
    except (KeyError, TypeError, ValueError) as error:
        raise _unreadable("template", error) from error


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
        return Compensation(**spec["process"]["compensation"])
    except (KeyError, TypeError, ValueError) as error:
        raise _unreadable("process.compensation", error) from error


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


def _body(own: Mapping[str, Any]) -> Body:
    return RoundBar(**own) if "diameter_mm" in own else FlatBar(**own)


def _fitting(own: Mapping[str, Any]) -> Fitting:
    sizes = {name: value for name, value in own.items() if name != "kind"}
    return _FITTINGS[own["kind"]](**sizes)


def _decimal(value: float) -> Decimal:
    """Take a JSON number as written: 70.0 and 70 are one limit."""
    return Decimal(repr(value)).normalize() + 0


def _unreadable(field: str, error: Exception) -> InputError:
    return InputError(
        f"the set's {field} cannot be read from its spacer-set.json ({error}); use the file that "
        "`labkit make` wrote, unchanged",
        field=field,
    )
