"""A prescription as somebody types it into a form, in whose language a comma may be the point."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import Decimal

from labkit.catalog.revise import with_values
from labkit.catalog.toml_source import TomlSource, parse_toml
from labkit.core.form.numbers import ascii_minus, could_be_thousands
from labkit.errors import InputError, InputErrors
from labkit.tables.values import shown
from labkit.units import plain
from labkit.workflow.intake.prescriptions import (
    BETWEEN,
    TextSource,
    bounds_of,
    kind_of,
    read_texts,
    text_keys,
    texts_of,
    toml_value,
)

#: What sentences call it.
FORM = "the form"


def read_form(texts: Mapping[str, str], decimal: str) -> TextSource:
    """Read a prescription from what stands in a form.

    Args:
        texts: By the names of the columns; what is empty is not told.
        decimal: "." or ",", with which whoever typed it writes numbers; "" where that is not
            known. Point and comma are both decimal signs, but where a number could mean something
            else.

    Raises:
        InputErrors: As `read_texts`; and each number that could be read in two ways: what it
            could be, and how to write it.

    >>> read_form({"retruded": "-5,2", "percent": "50; 62.5"}, ".").data["grading"]["percent"]
    [50, Decimal('62.5')]
    """
    told = {name: text for name, text in texts.items() if text.strip()}
    doubtful = tuple(_doubtful(told, decimal))
    try:
        read = read_texts(told, FORM)
    except InputErrors as errors:
        others = [one for one in errors.errors if one.field not in {one.field for one in doubtful}]
        raise InputErrors((*doubtful, *others)) from errors
    if doubtful:
        raise InputErrors(doubtful)
    return read


def on_base(source: TextSource, base: TomlSource) -> TextSource:
    """Write what stands in a form into the text that it was filled from.

    Returns:
        The prescription of the form; the text has the comments, the order and the spelling of the
        other one where nothing was changed, and is that text where nothing was changed at all.

    Raises:
        InputError: The text cannot be changed so that it says what the form says.
    """
    now, before = texts_of(source), texts_of(base)
    changed = [name for name in text_keys() if now.get(name) != before.get(name)]
    text = with_values(base, {
        text_keys()[name][0]: toml_value(_value_in(source, name)) if name in now else None
        for name in changed
    }) if changed else base.text
    written = parse_toml(text, source.name)
    if texts_of(written) != now:
        raise InputError(
            "the text that the form was filled from cannot be changed to what the form says; "
            "begin with an empty form, or write the prescription by hand",
            where=source.name, field="prescription",
        )
    return replace(source, text=text, data=written.data, lines=written.lines)


def _value_in(source: TomlSource, name: str) -> object:
    value: object = source.data
    for part in text_keys()[name][0]:
        assert isinstance(value, Mapping)
        value = value[part]
    return value


def _doubtful(texts: Mapping[str, str], decimal: str) -> Iterator[InputError]:
    for name, text in texts.items():
        if why := _two_meanings(name, text.strip(), decimal):
            yield InputError(f'"{shown(text)}" {why}', field=name, value=text, where=FORM)


def _two_meanings(name: str, text: str, decimal: str) -> str:
    if name not in text_keys():
        return ""
    entry = text_keys()[name][1]
    kind = kind_of(entry)
    if kind is tuple:
        return _commas_of_list(text, decimal)
    if kind in (float, Decimal) and could_be_thousands(text):
        sign = "," if "," in text else "."
        low, high = bounds_of(entry.key)
        value = Decimal(ascii_minus(text).replace(",", "."))
        if sign != decimal and low <= value <= high and low <= value * 1000 <= high:
            return (
                f"could be {plain(value)} or {plain(value * 1000)}; write it with another number "
                "of decimals, or without the sign"
            )
    return ""


def _commas_of_list(text: str, decimal: str) -> str:
    """Find commas that may part numbers or stand in them: "50,75" is two steps, or one."""
    parts = [part for part in BETWEEN.split(text.strip("[] ")) if part]
    most = max((part.count(",") for part in parts), default=0)
    if most > 1 or (most and len(parts) == 1 and decimal != ","):
        return (
            "has commas that could separate numbers or be part of them; put semicolons between the "
            "numbers, such as 50; 62.5; 75"
        )
    return ""
