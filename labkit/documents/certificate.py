"""Facts of the certificate of inspection: what a released set was measured and decided by."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from string import ascii_uppercase
from typing import Any

from labkit.catalog.profiles import profile_of
from labkit.core.case.identifier import grouped, ledger_number
from labkit.core.gauging.ways_of_measuring import ways_of
from labkit.documents.figures import fixed, lot_told, sentence, signed
from labkit.documents.frame import frame_facts
from labkit.documents.qr import qr_svg
from labkit.documents.set_spec import template_of
from labkit.documents.told_then import told_then
from labkit.qa.decision.readings import LOOK
from labkit.qa.decision.temperature import THERMOMETER
from labkit.qa.files.form_columns import COLUMNS
from labkit.qa.uncertainty import dof_told
from labkit.units import counted, plain

TEMPLATE = "certificate.typ"
#: Begins the keyword by which the digest is found in the file.
KEYWORD = "record-digest-"
#: Digits of a ledger's identity on paper; `labkit ledger verify` prints all.
IDENTITY_SHOWN = 8
#: Stands where nothing is recorded.
NOTHING = "–"
_MM = Decimal("0.001")
_USUAL_GAUGE = "the lab's usual gauge, by the process"
_PERCENT = Decimal("0.01")

Json = Mapping[str, Any]


@dataclass(frozen=True)
class Release:
    """A release as recorded.

    Args:
        note: Free text, empty if none.
        ledger: Identity of the ledger.
        void: Why it does not stand any more, a sentence each; nothing where it does.
    """

    set_name: str
    seq: int
    at: str
    by: str
    digest: str
    note: str
    basis: Json
    ledger: str
    void: tuple[str, ...] = ()


def facts(spec: Json, release: Release) -> dict[str, Any]:
    """Work out what stands on the certificate of inspection.

    Args:
        spec: Content of the set's spacer-set.json.
    """
    basis = release.basis
    rods, titles = basis["rods"], _titles(spec)
    groups = _groups(rods)
    letters = {id(rod): letter for letter, members in groups for rod in members}
    return {
        **frame_facts(spec),
        "date": release.at[:10],
        "void": "; ".join(release.void),
        "about": _about(release, (*LOOK, *profile_of(spec).look)),
        "rods": [_rod(rod, letters[id(rod)]) for rod in rods],
        "measurements": [_measurement(letter, members[0], titles) for letter, members in groups],
        "instruments": _evidence(rods),
        "differences": [_difference(each) for each in basis["differences"]],
        "budgets": _budgets(groups),
        "replaced": [row for rod in rods for row in _replaced(rod)],
        "as_is": [row for rod in rods for row in _as_is(rod)],
        "set_aside": [row for rod in rods for row in _set_aside(rod)],
        "rule": basis["decision_rule"],
        "signed": _signed(rods, release),
        "eyes": _eyes(rods, release.by, alone=basis.get("one_person") is True),
        "notes": [sentence(told_then(note)) for note in basis["notes"]],
        "remark": release.note,
        "event": str(release.seq),
        "ledger": ledger_number(release.ledger),
        "identity": release.ledger[:IDENTITY_SHOWN],
        "digest": release.digest,
        "keyword": KEYWORD + release.digest,
    }


def pictures(release: Release) -> dict[str, bytes]:
    """Make the QR code of the digest; capitals take less room in it."""
    return {"digest.svg": qr_svg(release.digest.upper())}


def digest_on(content: bytes) -> str | None:
    """Read the digest from the file of a certificate, None where there is none.

    >>> digest_on(b"..." + KEYWORD.encode() + b"ab" * 32)[:6]
    'ababab'
    """
    found = re.search(KEYWORD.encode() + rb"([0-9a-f]{64})", content)
    return found and found[1].decode()


def _titles(spec: Json) -> dict[str, str]:
    return {str(way.method): way.title for way in ways_of(template_of(spec))}


def _about(release: Release, points: Sequence[str]) -> list[list[str]]:
    basis = release.basis
    process, rods = basis["process"], basis["rods"]
    rows = [
        ("Set", release.set_name),
        ("Rods", _conform(rods)),
        ("Look", _look(rods, points)),
        ("Rod template", f"{basis['template']['title']} ({basis['template']['name']})"),
        ("Process", f"{process['title']} ({process['name']})"),
        ("Material", process["material"]),
        ("Build", ", ".join(map(str, basis.get("builds", ())))),
        ("Prescription revision", str(basis["prescription_revision"])),
    ]
    return [[name, value] for name, value in rows if value]


def _conform(rods: Sequence[Json]) -> str:
    """Say how many conform, and how many are used as they are."""
    as_is, every = sum(bool(rod.get("as_is")) for rod in rods), counted(len(rods), "rod")
    how = f"{'is' if as_is == 1 else 'are'} used as is, by the prescriber's word, see below"
    own = f": {len(rods) - as_is} conform; {as_is} {how}" if as_is else ", every one conforms"
    return every + own


def _look(rods: Sequence[Json], points: Sequence[str]) -> str:
    """Say that every rod was looked at; releases recorded before have nothing of it."""
    told, what = [rod.get("look") for rod in rods], f"{', '.join(points[:-1])} and {points[-1]}"
    if None in told:
        return ""
    return f"every rod {what}" if not any(told) else f"{what}, but for rods used as is, see below"


def _moment(at: str) -> str:
    return f"{at[:10]} {at[11:19]} UTC"


def _rod(rod: Json, letter: str) -> dict[str, str]:
    zone = rod["acceptance_mm"]
    return {
        "identifier": grouped(rod["identifier"]),
        "step": str(rod["step"]),
        "side": rod["side"],
        "label": rod["label"],
        "nominal": f"{rod['length_mm']} ±{rod['tolerance_mm']}",
        "measurement": letter,
        "readings": ", ".join(rod["readings_mm"] or ()) or NOTHING,
        "length": fixed(rod["measured_mm"], 3),
        "u": fixed(rod["u_mm"], 4),
        "expanded": fixed(rod["expanded_mm"], 4),
        "k": fixed(rod["coverage_factor"], 2),
        "acceptance": NOTHING if zone is None else f"{_up(zone[0])} to {_down(zone[1])}",
        "probability": _percent(rod["conformance_probability"]),
        "label_read": rod["label_read"] or NOTHING,
        "fittings": {True: "yes", "yes": "yes"}.get(rod["fittings"], NOTHING),
        "result": "used as is" if rod.get("as_is") else rod["result"],
    }


def _as_is(rod: Json) -> Iterator[dict[str, str]]:
    """Tell a rod that is used although it does not conform; releases recorded before have none."""
    if said := rod.get("as_is"):
        yield {
            "rod": grouped(rod["identifier"]), "place": f"step {rod['step']}, {rod['side']}",
            "faults": "; ".join(told_then(fault) for fault in said["faults"]),
            "reason": said["reason"], "prescriber": said["prescriber"],
            "by": f"{said['by']}, {_moment(said['at'])}, entry {said['event']}",
        }


def _up(value: float) -> Decimal:
    """Print a lower limit so that what meets the print meets the limit."""
    return Decimal(repr(value)).quantize(_MM, ROUND_CEILING)


def _down(value: float) -> Decimal:
    return Decimal(repr(value)).quantize(_MM, ROUND_FLOOR)


def _percent(probability: float) -> str:
    """Write a probability in percent, rounded down: never more certain than it is.

    >>> _percent(0.95312), _percent(0.999999)
    ('95.31 %', '99.99 %')
    >>> _percent(1 - 1e-15)
    '> 99.99 %'
    """
    shown = (Decimal(repr(probability)) * 100).quantize(_PERCENT, ROUND_FLOOR)
    least = 100 - _PERCENT
    return f"> {least} %" if probability > 1 - 1e-6 else f"{min(shown, least)} %"


def _groups(rods: Sequence[Json]) -> list[tuple[str, list[Json]]]:
    """Put rods that were measured alike together, each group under a letter."""
    groups: dict[tuple[Any, ...], list[Json]] = {}
    for rod in rods:
        groups.setdefault(tuple(_how(rod).values()), []).append(rod)
    return list(zip(_letters(), groups.values(), strict=False))


def _letters() -> Iterator[str]:
    yield from ascii_uppercase
    for first in ascii_uppercase:
        yield from (first + second for second in ascii_uppercase)


def _how(rod: Json) -> dict[str, str]:
    """Say how a rod was measured; rods for which all of it is alike are one measurement."""
    instrument, source = rod["instrument"] or {}, rod["source"] or {}
    pins = rod.get("gauge_pins") or {}
    celsius, own = rod["temperature_c"], {one["name"] for one in rod["budget"]}
    return {
        "way": rod["way"],
        "more": ", ".join(
            column.told.format(rod[column.name])
            for column in COLUMNS if column.told and rod.get(column.name)
        ),
        "instrument": "; ".join([_instrument(rod, instrument), *([_tool(pins)] if pins else [])]),
        "due": "; pins ".join(
            tool.get("calibration_due") or NOTHING for tool in (instrument, pins) if tool
        ) or NOTHING,
        "temperature": NOTHING if celsius is None else (
            f"{plain(celsius)} °C{', corrected to 20 °C' * (THERMOMETER in own)}"
        ),
        "lot": lot_told(rod["material_lot"], rod.get("use_before")) or NOTHING,
        "measured": _by(rod["measured_on"], rod["measured_by"]),
        "checked": _by(rod["checked_on"], rod["checked_by"]),
        "source": source.get("file") or "",
    }


def _instrument(rod: Json, instrument: Json) -> str:
    if instrument:
        return _tool(instrument)
    return NOTHING if rod["way"] == "scan" else _USUAL_GAUGE


def _tool(tool: Json) -> str:
    return f"{tool['title']} ({tool['name']})"


def _evidence(rods: Sequence[Json]) -> list[str]:
    """Say of each instrument where what is known of it comes from."""
    tools = [tool for rod in rods for tool in (rod["instrument"], rod.get("gauge_pins")) if tool]
    known = {tool["name"]: tool for tool in tools}
    return [
        f"{name}: {known[name]['evidence'].rstrip('.')}."
        for name in sorted(known)
        if known[name]["evidence"]
    ]


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _by(day: str | None, code: str | None) -> str:
    return ", ".join(word for word in (day, code) if word) or NOTHING


def _measurement(letter: str, rod: Json, titles: Mapping[str, str]) -> dict[str, str]:
    how = _how(rod)
    way = titles.get(how["way"], "on a scan of the rod")
    way = f"{way}, {how['more']}" if how["more"] else way
    return {**how, "letter": letter, "way": _capital(way),
            "instrument": _capital(how["instrument"])}


def _difference(each: Json) -> dict[str, str]:
    return {
        "step": str(each["step"]),
        "difference": signed(each["difference_mm"], 3),
        "u": fixed(each["u_mm"], 4),
        "tolerance": f"±{each['tolerance_mm']}",
        "probability": _percent(each["conformance_probability"]),
        "result": each["result"],
    }


def _budgets(groups: Sequence[tuple[str, Sequence[Json]]]) -> list[dict[str, Any]]:
    """Give a budget for each way, instrument and number of readings."""
    alike: dict[tuple[Any, ...], tuple[list[str], list[Json]]] = {}
    for letter, members in groups:
        for rod in members:
            how, readings = _how(rod), len(rod["readings_mm"] or ())
            key = (how["way"], how["more"], how["instrument"], readings)
            letters, rods = alike.setdefault(key, ([], []))
            rods.append(rod)
            letters += [letter] if letter not in letters else []
    return [_budget(letters, rods) for letters, rods in alike.values()]


def _budget(letters: Sequence[str], members: Sequence[Json]) -> dict[str, Any]:
    """Show the budget of the rod that is the least certain."""
    rod = max(members, key=lambda one: (one["u_mm"], one["identifier"]))
    return {
        "letters": ", ".join(letters),
        "rod": grouped(rod["identifier"]),
        "u": fixed(rod["u_mm"], 4),
        "dof": dof_told(rod["dof"]),
        "k": fixed(rod["coverage_factor"], 2),
        "expanded": fixed(rod["expanded_mm"], 4),
        "rows": [
            {
                "name": sentence(one["name"]).rstrip("."),
                "kind": one["kind"],
                "u": fixed(one["u_mm"], 4),
                "dof": dof_told(one["dof"]),
                "basis": one["basis"],
            }
            for one in rod["budget"]
        ],
    }


def _replaced(rod: Json) -> Iterator[dict[str, str]]:
    for old in rod["replaced"]:
        yield {
            "new": grouped(rod["identifier"]),
            "set": rod["set"],
            "old": grouped(old["identifier"]),
            "old_set": old["set"],
            "place": f"step {rod['step']}, {rod['side']}",
            "why": f"{old['state']}: {old['reason']}" if old["reason"] else old["state"],
        }


def _set_aside(rod: Json) -> Iterator[dict[str, str]]:
    for old in rod.get("set_aside", ()):  # releases recorded before have none
        length = old["length_mm"]
        yield {
            "rod": grouped(rod["identifier"]),
            "place": f"step {rod['step']}, {rod['side']}",
            "length": NOTHING if length is None else fixed(length, 3),
            "result": old["result"] or NOTHING,
            "recorded": f"{old['by']}, {_moment(old['at'])}",
            "why": old["reason"] or NOTHING,
        }


def _signed(rods: Sequence[Json], release: Release) -> list[list[str]]:
    """List who did what and when."""
    measured = _codes(rods, "measured_on", "measured_by")
    checked = _codes(rods, "checked_on", "checked_by")
    recorded = dict.fromkeys(
        f"{rod['recorded']['by']}, {_moment(rod['recorded']['at'])}" for rod in rods
    )
    apart = dict.fromkeys(
        f"{one['by']}, {_moment(one['at'])}" for rod in rods for one in rod.get("seen_apart", ())
    )
    return [
        ["Measured by", measured],
        *([["Label, fittings or look seen by", "; ".join(apart)]] if apart else []),
        ["Checked by", checked],
        ["Readings recorded by", "; ".join(recorded)],
        ["Released by", f"{release.by}, {_moment(release.at)}"],
    ]


def _codes(rods: Sequence[Json], day: str, code: str) -> str:
    found = dict.fromkeys(
        f"{rod[code]}, {rod[day]}" if rod[day] else str(rod[code]) for rod in rods if rod[code]
    )
    return "; ".join(found) or "nobody named"


def _eyes(rods: Sequence[Json], by: str, *, alone: bool) -> str:
    """Say whether one person did all of it, and that the lab's profile allows it."""
    own = [rod for rod in rods if (rod["measured_by"] or rod["recorded"]["by"]) == by]
    unchecked = [rod for rod in own if rod["checked_by"] in (None, "", by)]
    if own and alone:
        said = "the profile says that the lab is one person"
        return f"Measured and released by one person, {by}: {said}."
    if not own:
        return "Measured and released by different persons."
    if not unchecked:
        return f"{by} both measured and released; the readings were checked by another person."
    if len(unchecked) == len(rods):
        return f"Measured and released by one person, {by}; nobody else is named as having checked."
    return (
        f"{by} released the set and also measured {len(unchecked)} of its "
        f"{counted(len(rods), 'rod')} that nobody else is named as having checked."
    )
