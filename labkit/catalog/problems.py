"""Turns every mistake found in one TOML file into sentences with file, line, key and value."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from decimal import Decimal
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from labkit.catalog.toml_source import Location, TomlSource
from labkit.errors import InputError, InputErrors, LabkitError

ModelT = TypeVar("ModelT", bound=BaseModel)

#: A key this alike is taken for a typing slip (0 to 1, difflib's ratio).
LIKENESS = 0.6
#: Long values are cut in messages; the line number shows the rest.
SHOWN_CHARACTERS = 60


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


def together(errors: Iterable[LabkitError]) -> InputErrors:
    """Join errors of one file; the exit status is that of the gravest.

    Args:
        errors: At least one error.
    """
    found = tuple(sorted(errors, key=_line))
    joined = InputErrors(found)
    joined.exit_code = max(error.exit_code for error in found)
    return joined


def at(source: TomlSource, location: Location, message: str, allowed: str = "") -> InputError:
    """Make an input error that names file, line and key.

    Args:
        message: What is wrong, what is allowed, what to do.
        allowed: What is allowed, by itself.
    """
    return InputError(
        f"{dotted(location)} {message}".strip(),
        field=dotted(location),
        value=_value_at(source.data, location),
        allowed=allowed,
        where=source.place(location),
    )


def dotted(location: Location) -> str:
    """Write a location as a dotted key, array members counted from 1.

    >>> dotted(("grading", "percent", 2))
    'grading.percent[3]'
    """
    text = ""
    for part in location:
        word = part if isinstance(part, int) or part.isprintable() else repr(part)
        text += f"[{part + 1}]" if isinstance(part, int) else f".{word}" if text else f"{word}"
    return text


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Name the known word most like a mistyped one, None if none is near.

    Returns:
        The nearest of them, None if none is near.

    >>> nearest("retrudet", ["retruded", "protruded"])
    'retruded'
    """
    found = difflib.get_close_matches(word, list(known), n=1, cutoff=LIKENESS)
    return found[0] if found else None


def unknown(name: str, known: Iterable[str]) -> str:
    """Say that a named thing is not known, with the nearest and all known names.

    Returns:
        Words to follow the name of the key.

    >>> unknown("eye", ["eyes", "pins"])
    '= "eye" is not known; did you mean `eyes`? known are eyes, pins'
    """
    names = list(known)
    near = nearest(name, names)
    hint = f"did you mean `{near}`? " if near else ""
    return f'= "{name}" is not known; {hint}known are {", ".join(names)}'


def shown(value: object) -> str:
    """Show a value as the file would write it, cut if long.

    >>> shown("abc"), shown(True)
    ('"abc"', 'true')
    """
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, list):
        text = "[" + ", ".join(shown(item) for item in value) + "]"
    elif isinstance(value, dict):
        text = "a table"
    else:
        text = f"{value}"
    text = text.encode("unicode_escape").decode() if not text.isprintable() else text
    return text if len(text) <= SHOWN_CHARACTERS else text[: SHOWN_CHARACTERS - 1] + "…"


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


def _line(error: LabkitError) -> int:
    line = error.where.rsplit(":", 1)[-1]
    return int(line) if line.isdigit() else 0


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
        return _unknown(str(location[-1]), known), "a known key"
    allowed = _allowed(model, location) or detail["msg"]
    if kind == "missing":
        return f"is missing; give {allowed}", allowed
    if _unfilled(detail["input"]):
        return f"is still to be filled in; give {allowed}", allowed
    return f"= {shown(detail['input'])} is not usable; allowed is {allowed}", allowed


def _unfilled(value: object) -> bool:
    """Tell whether a value is one of the placeholders of a blank file."""
    return value == "" or (isinstance(value, Decimal) and value.is_nan())


def _unknown(key: str, known: Iterable[str]) -> str:
    names = list(known)
    near = nearest(key, names)
    if near:
        return f"is not a known key; did you mean `{near}`?"
    return (
        f"is not a known key; known here are {', '.join(names)}" if names else "is not a known key"
    )


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


def _value_at(data: Any, location: Location) -> object:
    for part in location:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return None
    found: object = data
    return found
