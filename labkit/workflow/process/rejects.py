"""Rejected rods counted by process and cause."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from labkit.catalog.causes import Cause
from labkit.core.report import Column, Report, Section, Table
from labkit.errors import InputError
from labkit.ledger.queries import Reader
from labkit.ledger.rejects import made_and_rejected
from labkit.units import millimetres

#: Stands where a rod was rejected without a cause, as before there were any.
NOT_TOLD = "not stated"


@dataclass(frozen=True)
class _Row:
    process: str
    made: int
    rejected: int
    cause: str
    words: str

    @property
    def percent(self) -> float:
        return 100.0 * self.rejected / self.made


_COLUMNS = (
    Column("process", "process"),
    Column("cause", "cause"),
    Column("", "words", "words"),
    Column("rejected", "rejected"),
    Column("of made", "made"),
    Column("%", "percent", "percent", lambda one: millimetres(one, 1)),
)


def rejects_report(
    reader: Reader, causes: Mapping[str, Cause], process: str | None = None
) -> Report:
    """Make the report of rejected rods.

    Args:
        causes: The list of causes, by name.
        process: Of this process alone; None for every one.

    Raises:
        InputError: No rod was made with that process.
    """
    made, rejected = made_and_rejected(reader)
    if process is not None and process not in made:
        known = ", ".join(sorted(made)) or "none"
        raise InputError(
            f"the ledger {reader.place} has no rods of a process `{process}`; it has those of: "
            f"{known}", field="process", value=process,
        )
    wanted = [name for name in sorted(made) if process in (None, name)]
    rows = [
        _Row(name, made[name], count, cause or NOT_TOLD, causes[cause].words if cause in causes
             else "")
        for name in wanted
        for (of, cause), count in sorted(rejected.items(), key=lambda one: (-one[1], one[0]))
        if of == name
    ]
    whole = [
        f"{name}: {sum(row.rejected for row in rows if row.process == name)} of {made[name]} rods "
        "rejected"
        for name in wanted
    ]
    return Report(
        "Rejected rods",
        (
            Section("Rejected rods", tuple(whole) or ("No rods were made yet.",),
                    Table.of(_COLUMNS, rows)),
            Section("Causes", words=tuple(f"{one.name}: {one.words}" for one in causes.values())),
        ),
        {"schema": 1, "made": {name: made[name] for name in wanted},
         "rejected": Table.of(_COLUMNS, rows).records},
    )
