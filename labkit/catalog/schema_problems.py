"""Turns every mistake found in one TOML file into sentences with file, line, key and value."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from labkit.catalog.problems import at, together
from labkit.catalog.toml_source import TomlSource
from labkit.core.form.words import Location, shown, unknown_key
from labkit.errors import LabkitError

ModelT = TypeVar("ModelT", bound=BaseModel)

def validated(model: type[ModelT], source: TomlSource) -> ModelT:
    """Check a TOML file against a schema.

    Raises:
        InputErrors: Every mistake in the file, in the order of its lines.
    """
    keys, problems = examined(model, source)
    if keys is None:
        raise together(problems)
    return keys


def examined(model: type[ModelT], source: TomlSource) -> tuple[ModelT | None, list[LabkitError]]:
    """Check a TOML file against a schema without raising.

    Returns:
        The checked content and no errors, or None and every mistake.
    """
    try:
        return model.model_validate(source.data), []
    except ValidationError as error:
        return None, _sentences(model, source, error.errors())


def table_of(model: type[ModelT], source: TomlSource, name: str) -> ModelT | None:
    """Check one table of a file by itself, so that a slip elsewhere does not hide its own.

    Returns:
        The checked table, None where it has mistakes or is not there.
    """
    try:
        return model.model_validate(source.data.get(name))
    except ValidationError:
        return None


def _sentences(
    model: type[BaseModel], source: TomlSource, details: list[ErrorDetails]
) -> list[LabkitError]:
    errors: dict[Location, LabkitError] = {}
    for detail in details:
        location = _clean(source.data, detail["loc"])
        if _unfilled(detail["input"]) and isinstance(location[-1], int):
            location = location[:-1]  # a point with nan in it is one thing to fill in
        errors.setdefault(location, at(source, location, *_explain(model, location, detail)))
    return list(errors.values())


def _clean(data: object, loc: tuple[int | str, ...]) -> Location:
    """Drop the parts of a pydantic location that name union members instead of keys."""
    out: Location = ()
    for index, part in enumerate(loc):
        if isinstance(data, dict) and (part in data or index == len(loc) - 1):
            out, data = (*out, part), data.get(part)
        elif isinstance(data, list) and isinstance(part, int) and part < len(data):
            out, data = (*out, part), data[part]
    return out


def _explain(model: type[BaseModel], location: Location, detail: ErrorDetails) -> tuple[str, str]:
    known = _fields(model, location[:-1])
    kind = detail["type"]
    if kind == "extra_forbidden":
        return unknown_key(str(location[-1]), known), "a known key"
    allowed = _allowed(model, location) or detail["msg"]
    if kind == "missing":
        return f"is missing; give {allowed}", allowed
    if _unfilled(detail["input"]):
        return f"is still to be filled in; give {allowed}", allowed
    return f"= {shown(detail['input'])} is not usable; allowed is {allowed}", allowed


def _unfilled(value: object) -> bool:
    """Tell whether a value is one of the placeholders of a blank file."""
    return value == "" or (isinstance(value, Decimal) and value.is_nan())


def _walk(model: Any, location: Location, pick: Callable[[Any], Any]) -> Any:
    """Follow a location through nested schemas and pick something where it ends."""
    for part in location:
        if isinstance(part, int):
            continue
        fields = _fields_of(model)
        if part not in fields:
            return None
        model = fields[part]
    return pick(model)


def _fields_of(node: Any) -> dict[str, Any]:
    """Give the fields of a schema, or of the schemas inside a field's annotation."""
    if isinstance(node, type) and issubclass(node, BaseModel):
        return {field.alias or name: field for name, field in node.model_fields.items()}
    found: dict[str, Any] = {}
    annotation = getattr(node, "annotation", node)
    members = getattr(annotation, "__args__", (annotation,))
    for member in members:
        is_table = isinstance(member, type) and issubclass(member, BaseModel)
        if is_table or hasattr(member, "__args__"):
            found.update(_fields_of(member))
    return found


def _fields(model: type[BaseModel], location: Location) -> list[str]:
    return list(_walk(model, location, _fields_of) or {})


def _allowed(model: type[BaseModel], location: Location) -> str:
    def pick(node: Any) -> str:
        extra = getattr(node, "json_schema_extra", None) or {}
        return str(extra.get("allowed", "")) if isinstance(extra, dict) else ""

    return _walk(model, location, pick) or ""
