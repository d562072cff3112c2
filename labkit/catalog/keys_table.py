"""The README's table of every key of a prescription, made from the schema itself."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from labkit.catalog.prescription_schema import PrescriptionKeys


def keys_table() -> str:
    """Write the table in Markdown: key, meaning, unit, allowed, default.

    Returns:
        Lines of the table, without a newline at the end.
    """
    lines = ["| key | meaning | allowed | default |", "| --- | --- | --- | --- |"]
    return "\n".join([*lines, *_rows(PrescriptionKeys, "")])


def _rows(model: type[BaseModel], prefix: str) -> Iterator[str]:
    for name, field in model.model_fields.items():
        key = f"{prefix}{field.alias or name}"
        table = _table_in(field)
        if table is None:
            allowed = _extra(field).get("allowed", "")
            yield f"| `{key}` | {field.description} | {allowed} | {_default(field)} |"
        elif not key.endswith(".right"):
            yield from _rows(table, f"{key}.")
        else:
            yield f"| `{key}.…` | as `{key.removesuffix('right')}left.…` | | |"


def _extra(field: FieldInfo) -> dict[str, Any]:
    extra = field.json_schema_extra
    return extra if isinstance(extra, dict) else {}


def _table_in(field: FieldInfo) -> type[BaseModel] | None:
    """Find the table that a field's annotation names, if it is one."""
    annotation: Any = field.annotation
    for member in getattr(annotation, "__args__", (annotation,)):
        if isinstance(member, type) and issubclass(member, BaseModel):
            return member
    return None


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    if field.default is None:
        return "none"
    if isinstance(field.default, Decimal):
        return f"{field.default}"
    return f'"{field.default}"'


if __name__ == "__main__":
    print(keys_table())
