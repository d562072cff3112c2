"""Building blocks of the schemas: each key with its meaning, unit, range and default."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

#: Marks a key without default.
REQUIRED: Any = ...


class Table(BaseModel):
    """A TOML table whose unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


def _number(value: object) -> Decimal:
    """Take a TOML integer or float; text, true and false are not numbers."""
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        raise PydanticCustomError("number", "a number")
    number = Decimal(value)
    if not number.is_finite():
        raise PydanticCustomError("number", "a finite number")
    return number


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or value != value.strip():
        raise PydanticCustomError("text", "text without space at its ends")
    return value


def _version(value: object) -> object:
    """Take the whole number 1 only: true and 1.0 compare equal to it."""
    if type(value) is not int:
        raise PydanticCustomError("version", "a whole number")
    return value


Number = Annotated[Decimal, BeforeValidator(_number)]
Text = Annotated[str, BeforeValidator(_text)]
#: Version of a file's form.
Version = Annotated[Literal[1], BeforeValidator(_version)]


def key(about: str, allowed: str, *, default: Any = REQUIRED, unit: str = "", **limits: Any) -> Any:
    """Describe one key.

    Args:
        allowed: What may stand there, a phrase that fits after "allowed is".
        default: Value when the key is absent; required if not given.
        limits: Limits as pydantic's Field takes them.
    """
    extra: dict[str, Any] = {"allowed": allowed, "unit": unit}
    return Field(default, description=about, json_schema_extra=extra, **limits)


def quantity(
    about: str, low: float, high: float, unit: str = "mm", *, default: Any = REQUIRED
) -> Any:
    """Describe a number with unit and range, both ends included.

    Args:
        low: Least value.
        unit: Unit, empty for a plain number.
        default: Value when the key is absent; required if not given.
    """
    words = f"a number{f' in {unit}' if unit else ''} from {low:g} to {high:g}"
    return key(
        about, words, default=default, unit=unit, ge=Decimal(str(low)), le=Decimal(str(high))
    )
