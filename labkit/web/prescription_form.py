"""The prescription as a form: fields, units, ranges and words are those of the values' own keys."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from functools import cache

from labkit.core.form.keys import Entry, file_key
from labkit.core.form.table import default_words
from labkit.core.grading.prescription import MODEL_FIELDS
from labkit.core.rod.rods import RodTemplate
from labkit.workflow.intake.prescriptions import kind_of, text_keys

#: Part of the form → the table of the file that it shows ("" for the keys of none), what is shown
#: at once, and what the fold with the rest is called.
_PARTS = (
    ("Case", "", ("case", "date", "prescriber"), "Notes and case mark"),
    ("Bite readings", "bite", ("zero", "retruded", "habitual", "registered", "protruded"),
     "Midline and opening"),
    ("Rods", "appliance", ("action", "template", "pin_distance"), "Anchor points, sides"),
    ("Steps", "grading", ("percent", "start"), "Other ways to give steps, grid, tolerances"),
    ("Jaw", "jaw", ("model",), "Sliding and hinged jaw"),
)
_SPECIMEN = "50; 62.5; 75"


@dataclass(frozen=True)
class Field:
    """One field.

    Args:
        kind: "choice", "day", "tick", "number" or "words".
        hint: What it is, and what holds where it is left empty.
        limits: Its unit and range.
        options: Values with their words; of a choice.
    """

    name: str
    kind: str
    label: str
    hint: str
    limits: str
    needed: bool
    most: int
    options: tuple[tuple[str, str], ...] = ()

    @property
    def id(self) -> str:
        """What a page names it by."""
        return f"f-{self.name.replace('.', '-')}"

    @property
    def specimen(self) -> str:
        """What stands in a list that is empty."""
        return _SPECIMEN if self.name in ("percent", "advancement") else ""


@dataclass(frozen=True)
class Part:
    """Fields that belong together.

    Args:
        folded: Those behind a fold, by the fold's groups: heading ("" for none) and fields.
    """

    title: str
    first: tuple[Field, ...]
    fold: str
    folded: tuple[tuple[str, tuple[Field, ...]], ...]

    def open(self, texts: Mapping[str, str], wrong: Iterable[str]) -> bool:
        """Tell whether something stands behind the fold, or is wrong there."""
        named = {field.name for _, fields in self.folded for field in fields}
        return any(texts.get(name) for name in named) or not named.isdisjoint(wrong)


def parts_of(templates: Mapping[str, RodTemplate]) -> tuple[Part, ...]:
    """Give the form."""
    return tuple(_parts(tuple((name, one.title) for name, one in templates.items())))


@cache
def fields() -> Mapping[str, Field]:
    """Give every field by its name; templates are named by whoever knows them."""
    return {name: _field(name, entry) for name, (_, entry) in text_keys().items()}


def table_of(name: str) -> str:
    """Give the table that a field stands in, "" for none."""
    at = text_keys()[name][0]
    return str(at[0]) if len(at) > 1 else ""


def shown_texts(texts: Mapping[str, str], decimal: str) -> dict[str, str]:
    """Write the numbers of a prescription with the reader's decimal sign."""
    if decimal != ",":
        return dict(texts)
    numbers = {name for name, field in fields().items() if field.kind == "number"}
    return {
        name: text.replace(".", ",") if name in numbers else text for name, text in texts.items()
    }


def _parts(templates: tuple[tuple[str, str], ...]) -> Iterator[Part]:
    for title, table, first, fold in _PARTS:
        own = {name: field for name, field in fields().items() if table_of(name) == table}
        if "template" in own:
            options = tuple((name, f"{name}: {words}") for name, words in templates)
            own["template"] = _field("template", text_keys()["template"][1], options)
        rest = [field for name, field in own.items() if name not in first]
        yield Part(title, tuple(own[name] for name in first), fold, tuple(_groups(rest)))


def _groups(rest: list[Field]) -> Iterator[tuple[str, tuple[Field, ...]]]:
    """Part what stands behind a fold by side of the mouth and by jaw model."""
    models = {
        file_key(field): str(model) for model, own in MODEL_FIELDS.items() for field in own
    }
    groups: dict[str, list[Field]] = {"": []}
    for field in rest:
        side = field.name.partition(".")[0] if "." in field.name else ""
        groups.setdefault(side or models.get(field.name, ""), []).append(field)
    for heading, own in groups.items():
        if own:
            what = " jaw" if heading in models.values() else ""
            yield f"{heading.capitalize()}{what}", tuple(own)


def _field(name: str, entry: Entry, options: tuple[tuple[str, str], ...] = ()) -> Field:
    options = options or tuple(_options(entry))
    return Field(
        name, "choice" if options else _kind(entry), _label(name), _hint(entry),
        _limits(entry), entry.required, entry.key.most, options,
    )


def _kind(entry: Entry) -> str:
    kind = kind_of(entry)
    return {bool: "tick", datetime.date: "day", str: "words"}.get(kind, "number")


def _options(entry: Entry) -> Iterator[tuple[str, str]]:
    kind = kind_of(entry)
    if entry.key.choices:
        yield from ((word, word) for word in entry.key.choices)
    elif isinstance(kind, type) and issubclass(kind, Enum):
        yield from ((str(one.value), str(one.value)) for one in kind)


def _label(name: str) -> str:
    """Name a field by its key.

    >>> _label("left.pin_distance"), _label("upper")
    ('Left pin distance', 'Upper')
    """
    return name.replace(".", " ").replace("_", " ").capitalize()

#: What is named as in a file, and a command that lists what a form lets one choose from.
_AS_A_FORM, _COMMAND = re.compile(r'(\w+) = "(\w+)"'), re.compile(r" \(`labkit [a-z-]+`\)")


def _hint(entry: Entry) -> str:
    about = _AS_A_FORM.sub(r"\1 is \2", _COMMAND.sub("", entry.key.about)).replace("`", "")
    model, _, rest = about.partition(": ")
    words = rest if model in map(str, MODEL_FIELDS) else about
    words = f"{words[:1].upper()}{words[1:]}"
    held = default_words(entry)
    if entry.required or held in ("none", "average", "false"):
        return words
    return f"{words}; left empty: {held.replace(chr(34), '')}"


def _limits(entry: Entry) -> str:
    """Say in which unit and between which numbers.

    >>> _limits(text_keys()["retruded"][1]), _limits(text_keys()["left.upper"][1])
    ('mm, −30 to 30', 'x; y; z in mm, each −200 to 200')
    """
    key, kind = entry.key, kind_of(entry)
    unit = {"degrees": "°"}.get(key.unit, key.unit)
    if kind not in (float, Decimal, int, tuple):
        return ""
    limits = "" if key.low is None else f"{key.low:g} to {key.high:g}".replace("-", "−")
    if kind is tuple and key.low is not None:
        many = "one number, or left; right" if key.tidy else "x; y; z"
        return f"{many} in {unit}, each {limits}"
    return ", ".join(filter(None, (unit, limits)))
