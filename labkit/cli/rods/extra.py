"""`labkit extra`: rods in between, for a recorded case."""

from __future__ import annotations

from decimal import Decimal
from functools import partial
from operator import itemgetter
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.cli.common import (
    LEDGER,
    PROCESSES,
    PROFILE,
    TEMPLATES,
    Decorator,
    counting,
    operator_option,
    print_cautions,
    print_error,
    print_json,
    print_problems,
    sets_option,
)
from labkit.cli.numbers import Number
from labkit.cli.print_report import print_report, print_table
from labkit.cli.process.notes import note_all, process_words, say_first
from labkit.cli.record.recording import recording_into, said
from labkit.cli.rods.who import who_records
from labkit.cli.sets.profile import named_profile
from labkit.core.case.extra_requests import (
    Between,
    ByAdvancement,
    ByLength,
    ByPercent,
    ExtraRequest,
)
from labkit.core.grading.prescription import Side
from labkit.core.jsonable import jsonable
from labkit.core.report import Column, Table
from labkit.errors import EXIT_REFUSED, InputError
from labkit.units import millimetres

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from labkit.core.findings import Finding
    from labkit.core.rod.rods import Process
    from labkit.workflow.rods.extra import ExtraOrder, Installed
    from labkit.workflow.sets.make import MadeSet


def _asks(*names: str, **settings: Any) -> Decorator:
    return click.option(*names, type=Number(), **settings)


@click.command("extra", cls=rich_click.RichCommand)
@click.argument("case")
@_asks("--percent", "percents", multiple=True, help="A step by its percentage; repeatable.")
@_asks("--advancement", "advancements", multiple=True, metavar="MM",
       help="A step by its advancement from zero, mm; repeatable.")
@_asks("--length", "lengths", multiple=True, metavar="MM",
       help="A step by the length of its rod, mm; repeatable.")
@click.option("--side", type=click.Choice([str(s) for s in Side]),
              help="Side that --length is of, if the sides differ.")
@_asks("--between", nargs=2, metavar="LOW HIGH",
       help="Steps between two percentages, evenly spaced; with --count.")
@click.option("--count", type=int, default=1, show_default=True, help="How many steps between.")
@sets_option("the new rods are", required=False)
@click.option("--dry-run", is_flag=True,
              help="Only look: show steps, series and findings; --out and --by are not needed.")
@click.option("--template-as-stored", is_flag=True,
              help="Take the rod template as recorded, although the installed one has changed.")
@click.option("--process-as-stored", is_flag=True,
              help="Take the process as recorded, although the installed one has changed.")
@TEMPLATES
@PROCESSES
@PROFILE
@operator_option("orders them; it is recorded; not needed with --dry-run.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object on one line.")
def command(
    case: str, by: str | None, ledger_url: str | None, as_json: bool, **asked: Any
) -> None:
    """Make rods in between for a recorded case, with the template and process of its set.

    CASE is the laboratory's case number. The rods are made from the recorded prescription, template
    and process. A rod that is in circulation already, or could be confused with one that is, is
    refused. The case sheet shows the whole series with the new rods marked. --dry-run writes,
    reserves and orders nothing.

    Example: labkit extra QF-1043 --percent 68.75 --out sets --by anna

    labkit extra QF-1043 --between 62.5 75 --count 2 --dry-run
    """
    from labkit.workflow.rods.extra import ExtraOrder

    order = ExtraOrder(
        case, _requests(asked), asked["template_as_stored"], asked["process_as_stored"]
    )
    if asked["dry_run"]:
        _look(order, installed_of(asked), ledger_url, as_json)
        return
    by = who_records(by, "an order of extra rods")
    if asked["out_dir"] is None:
        raise InputError(
            "extra rods are made, and --out is missing; give the folder where the new set goes, or "
            "look only, with --dry-run"
        )
    _make(order, (by, ledger_url), as_json, asked)


def _look(
    order: ExtraOrder, installed: Installed, ledger_url: str | None, as_json: bool
) -> None:
    from labkit.ledger.store import look_into
    from labkit.workflow.rods.extra_report import look_at_extra

    with look_into(ledger_url) as reader:
        looked = look_at_extra(reader, order, installed)
    process = looked.plan.process
    if looked.refusal is not None:
        print_error(looked.refusal)
        if as_json:
            print_report(looked.report, as_json)
        click.get_current_context().exit(EXIT_REFUSED)
    say_first(process_words(process))
    print_report(looked.report, as_json)
    note_all(_beyond(process, looked.plan.lengths), to_stderr=as_json)
    said(process_words(process), to_stderr=as_json)


def _make(
    order: ExtraOrder, who: tuple[str, str | None], as_json: bool, asked: Mapping[str, Any]
) -> None:
    from labkit.documents.set_spec import process_of
    from labkit.workflow.process.trend import case_process, trend_findings
    from labkit.workflow.record.standing import standing_of_case
    from labkit.workflow.rods.extra import make_extra
    from labkit.workflow.rods.extra_report import words_of_pairs

    case, (by, ledger_url) = order.case, who
    installed = installed_of(asked)
    with recording_into(ledger_url, by) as recorder:
        process = case_process(case, recorder.ledger)
        if process:
            say_first(process_words(process))
        drift = trend_findings(process, recorder.ledger) if process else ()
        note_all(drift, to_stderr=as_json)
        with counting(f"Extra rods for {case}") as step:
            made = make_extra(order, installed, asked["out_dir"], step, recorder)
        words = words_of_pairs(standing_of_case(recorder.ledger, case))
    beyond = _beyond(process, {Decimal(part["length_mm"]) for part in made.spec["parts"]})
    note_all(beyond, to_stderr=as_json)
    if as_json:
        noted = {"process_findings": jsonable((*drift, *beyond)), "changed": made.changed}
        print_json({"schema": 1, "folder": str(made.folder), **made.spec, **noted})
        return
    _print_extra(case, made, words)
    said(process_words(process_of(made.spec)))
    said(recorder)
    print_cautions()


def _beyond(process: Process | None, lengths: Collection[Decimal]) -> tuple[Finding, ...]:
    """Note new rods outside of the range that their process was calibrated in."""
    from labkit.workflow.process.trend import range_findings

    return range_findings(process, lengths) if process else ()


def _requests(asked: Mapping[str, Any]) -> tuple[ExtraRequest, ...]:
    """Gather what is asked for."""
    if asked["side"] and not asked["lengths"]:
        raise InputError("--side says which rods the lengths are of; give a --length with it")
    if asked["count"] != 1 and asked["between"] is None:
        raise InputError("--count needs two percentages; give --between LOW HIGH with it")
    side = Side(asked["side"]) if asked["side"] else None
    requests: list[ExtraRequest] = [ByPercent(value) for value in asked["percents"]]
    requests += [ByAdvancement(value) for value in asked["advancements"]]
    requests += [ByLength(value, side) for value in asked["lengths"]]
    if asked["between"] is not None:
        low, high = asked["between"]
        requests.append(Between(low, high, asked["count"]))
    if not requests:
        raise InputError(
            "no rod was asked for; give at least one of --percent, --advancement, --length and "
            "--between"
        )
    return tuple(requests)


def installed_of(asked: Mapping[str, Any]) -> Installed:
    """Read what rods in between are held against, as the options name it."""
    from labkit.catalog.lettering import load_lettering
    from labkit.catalog.processes import processes
    from labkit.catalog.rods import rod_templates
    from labkit.workflow.rods.extra import Installed

    return Installed(
        rod_templates(asked["template_places"]),
        processes(asked["process_places"]),
        load_lettering(),
        named_profile(asked.get("profile_path")),
    )


_SERIES: tuple[Column, ...] = (
    Column("set", itemgetter("set_revision")),
    Column("step", itemgetter("step")),
    Column("percent", itemgetter("percent"), show=partial(millimetres, decimals=1)),
    Column("advancement", itemgetter("advancement_mm"), show=millimetres),
    Column("left", itemgetter("left"), show=lambda label: label or "–"),
    Column("right", itemgetter("right"), show=lambda label: label or "–"),
)


def _print_extra(case: str, made: MadeSet, words: Mapping[tuple[int, int], str]) -> None:
    from labkit.cli.sets.make import print_parts

    def said_of(row: Mapping[str, Any]) -> str:
        beside = words.get((row["set_revision"], row["step"]), "")
        return ", ".join(filter(None, ("new" if row["new"] else "", beside)))

    print_parts(case, made)
    table = Table.of((*_SERIES, Column("", said_of)), made.spec["series"])
    print_table("The whole series, as made", table)
    print_problems(
        found["message"]
        for found in made.spec["lengths"]["findings"]
        if found["severity"] == "note"
    )
