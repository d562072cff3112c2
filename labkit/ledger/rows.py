"""The one function that says which rows an event appends."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from labkit.ledger.events import Event, Kind, canonical_json, sha256_of_text


@dataclass(frozen=True)
class Row:
    """One row of a derived table.

    Args:
        values: Column name → value, for every column.
    """

    table: str
    values: Mapping[str, int | str | None]


def rows_of(event: Event) -> tuple[Row, ...]:
    """Tell which rows an event appends to the derived tables.

    Used when an event is written, and again by `verify`: a row that this does not give
    was not written by the program.

    Args:
        event: An event whose body has passed `check_body`.

    Returns:
        Its rows, in an order that pleases the foreign keys.
    """
    derive = _DERIVE.get(event.kind)
    rows = derive(event, event.body) if derive else []
    if event.corrects is not None:
        rows.append(Row("corrections", {"seq": event.seq, "corrects": event.corrects}))
    return tuple(rows)


def content_sha256(content: Mapping[str, Any]) -> str:
    """Give the content hash of a template, a process or a spec: SHA-256 of canonical JSON."""
    return sha256_of_text(canonical_json(dict(content)))


def _case(event: Event, _: dict[str, Any]) -> list[Row]:
    return [Row("cases", {"case_number": event.case, "seq": event.seq})]


def _prescription(event: Event, body: dict[str, Any]) -> list[Row]:
    values = {
        "seq": event.seq,
        "case_number": event.case,
        "revision": body["revision"],
        "text_sha256": sha256_of_text(body["text"]),
    }
    return [Row("prescriptions", values)]


def _set_started(event: Event, body: dict[str, Any]) -> list[Row]:
    own = {
        "set_name": body["set"],
        "seq": event.seq,
        "case_number": event.case,
        "revision": body["revision"],
        "set_revision": body["set_revision"],
        "purpose": body["purpose"],
        "inputs_sha256": body["inputs_sha256"],
        "template_name": body["template"]["name"],
        "template_sha256": content_sha256(body["template"]),
        "process_name": body["process"]["name"],
        "process_sha256": content_sha256(body["process"]),
    }
    rods = [
        Row(
            "rods",
            {
                "identifier": rod["identifier"],
                "seq": event.seq,
                "case_number": event.case,
                "set_name": body["set"],
                "step": rod["step"],
                "side": rod["side"],
                "length_um": rod["length_um"],
                "label": rod["label"],
                "percent": rod.get("percent"),
            },
        )
        for rod in body["rods"]
    ]
    return [Row("sets", own), *rods]


def _set_made(event: Event, body: dict[str, Any]) -> list[Row]:
    return [_set_end(event, body, "made", content_sha256(body["spec"]))]


def _set_abandoned(event: Event, body: dict[str, Any]) -> list[Row]:
    return [_set_end(event, body, "abandoned", None)]


def _set_end(event: Event, body: dict[str, Any], outcome: str, spec: str | None) -> Row:
    values = {
        "seq": event.seq, "set_name": body["set"], "outcome": outcome, "spec_sha256": spec
    }
    return Row("set_ends", values)


def _order(event: Event, body: dict[str, Any]) -> list[Row]:
    return [
        Row(
            "orders",
            {
                "seq": event.seq,
                "line": number,
                "case_number": event.case,
                "side": line["side"],
                "length_um": line["length_um"],
                "label": line["label"],
            },
        )
        for number, line in enumerate(body["lines"], 1)
    ]


def _trial_fit(event: Event, body: dict[str, Any]) -> list[Row]:
    values = {"seq": event.seq, "case_number": event.case, "revision": body["revision"]}
    return [Row("trial_fits", values)]


def _trial_accepted(event: Event, body: dict[str, Any]) -> list[Row]:
    values = {"seq": event.seq, "trial": body["trial"], "revision": body["revision"]}
    return [Row("trial_decisions", values)]


def _reading(event: Event, body: dict[str, Any]) -> list[Row]:
    values = {
        "seq": event.seq,
        "identifier": body["identifier"],
        "quantity": body["quantity"],
        "value_um": body["value_um"],
    }
    return [Row("readings", values)]


def _release(event: Event, body: dict[str, Any]) -> list[Row]:
    values = {"seq": event.seq, "set_name": body["set"], "decision": body["decision"]}
    return [Row("releases", values)]


def _rod_state(event: Event, body: dict[str, Any]) -> list[Row]:
    values = {"seq": event.seq, "identifier": body["identifier"], "state": body["state"]}
    return [Row("rod_states", values)]


_DERIVE: Mapping[Kind, Callable[[Event, dict[str, Any]], list[Row]]] = {
    Kind.CASE_OPENED: _case,
    Kind.PRESCRIPTION: _prescription,
    Kind.SET_STARTED: _set_started,
    Kind.SET_MADE: _set_made,
    Kind.SET_ABANDONED: _set_abandoned,
    Kind.ORDER: _order,
    Kind.TRIAL_FIT: _trial_fit,
    Kind.TRIAL_ACCEPTED: _trial_accepted,
    Kind.READING: _reading,
    Kind.RELEASE: _release,
    Kind.ROD_STATE: _rod_state,
}
