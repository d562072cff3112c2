"""`labkit limits`: what the readings of a set must be, before anyone measures."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click
from rich.table import Table
from rich.text import Text

from labkit.catalog.instruments import find_instrument, instruments
from labkit.cli import clock
from labkit.cli.common import (
    INSTRUMENT,
    INSTRUMENTS,
    LEDGER,
    SET,
    Run,
    out,
    plain_table,
    print_json,
    print_notes,
)
from labkit.core.case.identifier import grouped
from labkit.core.findings import refusals
from labkit.core.gauging.ways_of_measuring import Method
from labkit.errors import InputError
from labkit.units import counted, plain

if TYPE_CHECKING:
    from labkit.qa.decision.limits import RodLimits
    from labkit.workflow.inspection.limits import SetLimits, SetToMeasure

#: Limits stand with a bare dash, so that a line fits a narrow screen.
_TO = "–"


@click.command("limits", cls=rich_click.RichCommand)
@click.argument("case")
@SET
@INSTRUMENT
@click.option(
    "--way",
    "method",
    type=click.Choice([str(method) for method in Method]),
    metavar="METHOD",
    help="What is measured: over, between, half-sum, over-less-own, centres or ends; without it, "
    "the first way that decides on every rod.",
)
@click.option(
    "--readings",
    type=click.IntRange(1, 30),
    default=3,
    show_default=True,
    metavar="N",
    help="Readings of each rod that a mean will be of.",
)
@INSTRUMENTS
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, set_name: str | None, ledger_url: str | None, as_json: bool, **gauge: Any
) -> None:
    """Show specification and acceptance limits of a set's rods, of length and of reading.

    CASE is a case number of the ledger, or the folder of a set. Where the gauge is too coarse for
    a tolerance that is said now, with the instruments that would do.

    Example: labkit limits QF-1043 --instrument example-micrometer
    """
    from labkit.workflow.inspection.limits import set_limits

    known = instruments(gauge["instrument_places"])
    name, method = gauge["instrument_name"], gauge["method"]
    limits = set_limits(
        _set_of(case, set_name, ledger_url),
        find_instrument(known, name) if name else None,
        Method(method) if method else None,
        known.values(),
        clock.today(),
        gauge["readings"],
    )
    if as_json:
        print_json(limits.to_json())
    else:
        _show(limits)
    run = Run()
    run.refuse("", refusals(limits.findings))
    run.finish(cautions=False)


def _set_of(case: str, set_name: str | None, ledger_url: str | None) -> SetToMeasure:
    from labkit.workflow.inspection.limits import SPEC_FILE, recorded_set, set_in_folder

    path = Path(case)
    # A case number may bear a stroke or a folder's name: what is no set goes by the ledger, but for
    # a path of several parts that is there.
    if path.is_file() or (path / SPEC_FILE).is_file() or (len(path.parts) > 1 and path.exists()):
        if set_name is not None:
            raise InputError("--set goes with a case number, not with a folder", field="set")
        return set_in_folder(path)
    from labkit.ledger.store import open_ledger

    with open_ledger(ledger_url, create=False) as ledger:
        return recorded_set(ledger, case, set_name)


def _show(limits: SetLimits) -> None:
    from labkit.qa.decision.conformance import DECISION_RULE

    gauge, way = limits.gauge, limits.way
    _say(f"Case {limits.of.spec['case']}, set {limits.of.name}", style="bold")
    with_what = f"the usual gauge of process {limits.of.spec['process']['name']}"
    if gauge.instrument:
        # Without an instrument the stated uncertainty stands, however many readings there are.
        with_what = f"{gauge.instrument.title}; {counted(gauge.readings, 'reading')} of each rod"
    _say(f"Measured {way.title}, with {with_what}")
    shift = way.shift_mm
    sign, size = ("−" if shift > 0 else "+"), plain(abs(shift))
    _say(f"{way.formula}: length = reading {sign} {size} mm" if shift else way.formula)
    if way.gauge_pins_mm:
        _say(f"Gauge pins: {' and '.join(f'{pin} mm' for pin in dict.fromkeys(way.gauge_pins_mm))}")
    out().print()
    out().print(_rods_table(limits))
    longest = max(limits.rods, key=lambda each: each.length_mm)
    out().print(_budget_table(longest))
    _say(DECISION_RULE)
    print_notes(limits.findings)


def _rods_table(limits: SetLimits) -> Table:
    table = plain_table(
        "Limits, mm: of the length, and of the mean reading that conforms",
        ("rod", "step", "side", "label", "specification", "conforms", "reading"),
    )
    for line, each in zip(limits.of.lines, limits.rods, strict=True):
        table.add_row(
            grouped(line.identifier), str(line.step), Text(line.side, justify="left"),
            line.label + line.mark, _between(each.specification_mm),
            _between(each.accepted_mm), _between(each.accepted_reading_mm),
        )  # fmt: skip
    return table


def _budget_table(each: RodLimits) -> Table:
    budget = each.budget
    table = plain_table(
        f"Uncertainty of a length of {plain(each.length_mm)} mm, in µm", ("from", "u", "ν", "basis")
    )
    for column in (0, 3):
        table.columns[column].justify = "left"
    table.columns[3].no_wrap = False
    for one in budget.components:
        table.add_row(one.name, f"{1000 * one.u_mm:.2f}", _dof(one.dof), one.basis)
    table.add_row(
        "together", f"{1000 * budget.combined_mm:.2f}", _dof(budget.effective_dof),
        f"expanded: {1000 * budget.expanded_mm():.1f} µm "
        f"(k = {budget.coverage_factor():.2f}, 95 %)",
    )  # fmt: skip
    return table


def _between(limits: tuple[object, object] | None) -> str:
    return "none" if limits is None else f"{limits[0]}{_TO}{limits[1]}"


def _dof(dof: float) -> str:
    return "∞" if math.isinf(dof) else plain(dof)


def _say(sentence: str, style: str | None = None) -> None:
    out().print(sentence, markup=False, soft_wrap=True, style=style)
