"""What the body of each kind of event must hold; lengths are whole micrometres."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from labkit.core.case.identifier import parse_identifier
from labkit.errors import InputError
from labkit.ledger.events import Kind

#: States that a rod can be given after it was made.
ROD_STATES = (
    "delivered", "fitted", "returned", "broken", "lost", "withdrawn", "rejected",
)  # fmt: skip
DECISIONS = ("released", "withheld")
PURPOSES = ("set", "extra", "replacement")
#: A prescription file longer than this is no prescription (the reader of files says the same).
MOST_TEXT = 1_000_000
MOST_NOTE = 2000
#: 10 m; a length beyond it is a slip of the unit.
MOST_UM = 10_000_000
MOST_NUMBER = 2**31 - 1


@dataclass(frozen=True)
class Rule:
    """What one value must be.

    Args:
        words: What is allowed, in words.
        holds: Tells whether a value is allowed.
        optional: Whether the value may be absent or null.
    """

    words: str
    holds: Callable[[Any], bool]
    optional: bool = False


@dataclass(frozen=True)
class Rows:
    """A list of tables of one form, at least one."""

    form: Mapping[str, Rule]


Form = Mapping[str, "Rule | Rows"]


def text(most: int = MOST_NOTE, *, optional: bool = False) -> Rule:
    """Ask for printable text."""
    return Rule(
        f"printable text of 1 to {most} characters",
        lambda v: isinstance(v, str) and 0 < len(v) <= most and v.isprintable(),
        optional,
    )


def whole(low: int, high: int = MOST_NUMBER, *, optional: bool = False) -> Rule:
    """Ask for a whole number."""
    return Rule(
        f"a whole number from {low} to {high}", lambda v: type(v) is int and low <= v <= high,
        optional,
    )


def one_of(*words: str) -> Rule:
    """Ask for one of several words."""
    return Rule(f"one of {', '.join(words)}", lambda v: isinstance(v, str) and v in words)


def table(*, named: bool = False, optional: bool = False) -> Rule:
    """Ask for any JSON table; where named, one whose `name` is text."""
    if named:
        name = text(200)
        return Rule(
            "a table with a name", lambda v: isinstance(v, dict) and name.holds(v.get("name"))
        )
    return Rule("a table", lambda v: isinstance(v, dict), optional)


def _is_digest(value: Any) -> bool:
    return isinstance(value, str) and len(value) == 64 and not set(value) - set("0123456789abcdef")


def _is_identifier(value: Any) -> bool:
    try:
        return isinstance(value, str) and parse_identifier(value) == value
    except InputError:
        return False


_DIGEST = Rule("64 hexadecimal digits", _is_digest)
_IDENTIFIER = Rule("a rod identifier of ten digits", _is_identifier)
_MAY_IDENTIFIER = Rule(_IDENTIFIER.words, _is_identifier, optional=True)
_LONG_TEXT = Rule(
    f"text of 1 to {MOST_TEXT} characters",
    lambda v: isinstance(v, str) and 0 < len(v) <= MOST_TEXT and "\0" not in v,
)
_SIDE = one_of("left", "right")
_SET = text(80)
_NOTE = text(optional=True)
_LENGTH = whole(1, MOST_UM)
_LABEL = text(16)
_PERCENT = text(32, optional=True)
_TRIED = Rule(
    "a table with `label` (text), `gap_um` (whole micrometres), or neither",
    lambda v: isinstance(v, dict)
    and not set(v) - {"label", "gap_um"}
    and (v.get("label") is None or _LABEL.holds(v["label"]))
    and (v.get("gap_um") is None or whole(-MOST_UM, MOST_UM).holds(v["gap_um"])),
)

#: Kind → what its body holds. One key more or less, and the event is refused.
FORMS: Mapping[Kind, Form] = {
    Kind.CASE_OPENED: {"note": _NOTE},
    Kind.PRESCRIPTION: {
        "revision": whole(1),
        "text": _LONG_TEXT,
        "reason": _NOTE,
        "trial": whole(1, optional=True),
    },
    Kind.SET_STARTED: {
        "set": _SET,
        "revision": whole(1),
        "set_revision": whole(1),
        "purpose": one_of(*PURPOSES),
        "folder": text(),
        "inputs_sha256": _DIGEST,
        "program": text(40),
        "template": table(named=True),
        "process": table(named=True),
        "order": whole(1, optional=True),
        "rods": Rows(
            {
                "identifier": _IDENTIFIER,
                "step": whole(1),
                "side": _SIDE,
                "length_um": _LENGTH,
                "label": _LABEL,
                "percent": _PERCENT,
                "replaces": _MAY_IDENTIFIER,
            }
        ),
    },
    Kind.SET_MADE: {"set": _SET, "folder": text(), "sums_sha256": _DIGEST, "spec": table()},
    Kind.SET_ABANDONED: {"set": _SET, "reason": text()},
    Kind.ORDER: {
        "lines": Rows(
            {
                "side": _SIDE,
                "length_um": _LENGTH,
                "label": _LABEL,
                "percent": _PERCENT,
                "asked": text(200),
                "replaces": _MAY_IDENTIFIER,
            }
        ),
        "note": _NOTE,
    },
    Kind.TRIAL_FIT: {
        "revision": whole(1),
        "left": _TRIED,
        "right": _TRIED,
        "proposal": table(),
        "note": _NOTE,
    },
    Kind.TRIAL_ACCEPTED: {"trial": whole(1), "revision": whole(1), "note": _NOTE},
    Kind.READING: {
        "identifier": _IDENTIFIER,
        "quantity": text(40),
        "value_um": whole(-MOST_UM, MOST_UM),
        "uncertainty_nm": whole(0, MOST_NUMBER, optional=True),
        "gauge": text(80),
        "note": _NOTE,
        "details": table(optional=True),
    },
    Kind.RELEASE: {
        "set": _SET,
        "decision": one_of(*DECISIONS),
        "basis": table(optional=True),
        "note": _NOTE,
    },
    Kind.ROD_STATE: {"identifier": _IDENTIFIER, "state": one_of(*ROD_STATES), "reason": _NOTE},
    Kind.CORRECTION: {"reason": text()},
}


def check_body(kind: Kind, body: Mapping[str, Any]) -> None:
    """Check the body of an event.

    Raises:
        InputError: A key is missing, unknown, or has a value that is not allowed.
    """
    _check_table(str(kind), FORMS[kind], body)


def _check_table(where: str, form: Form, body: Mapping[str, Any]) -> None:
    unknown = set(body) - set(form)
    if unknown:
        raise InputError(
            f"the event {where} has no place for `{min(unknown)}`; known are {', '.join(form)}",
            field=min(unknown),
        )
    for name, rule in form.items():
        if isinstance(rule, Rows):
            _check_rows(f"{where}, {name}", rule, body.get(name))
        else:
            _check_value(where, name, rule, body.get(name))


def _check_value(where: str, name: str, rule: Rule, value: Any) -> None:
    if value is None and rule.optional:
        return
    if not rule.holds(value):
        shown = repr(value) if len(repr(value)) <= 60 else f"{repr(value)[:57]}..."
        raise InputError(
            f"the event {where} has {name} = {shown}; it must be {rule.words}",
            field=name,
            value=value,
            allowed=rule.words,
        )


def _check_rows(where: str, rows: Rows, value: Any) -> None:
    if not isinstance(value, list) or not value:
        raise InputError(f"the event {where} must be a list of at least one table", field=where)
    for number, item in enumerate(value, 1):
        if not isinstance(item, dict):
            raise InputError(f"the event {where} {number} must be a table", field=where)
        _check_table(f"{where} {number}", rows.form, item)
