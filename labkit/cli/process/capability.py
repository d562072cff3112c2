"""`labkit capability`: what a process leaves of the tolerance, and how sure that is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.cli.common import out, print_json
from labkit.cli.process.options import (
    check_report_place,
    print_about,
    print_findings,
    print_rows,
    process_options,
    rules_asked,
    sample_asked,
    write_asked,
)

if TYPE_CHECKING:
    from labkit.qa.process.study import Study


@click.command("capability", cls=rich_click.RichCommand)
@process_options
def command(**given: Any) -> None:
    """Work out the capability of a process: Cp, Cpk, Pp, Ppk with intervals, and their basis.

    Without --file, every measured rod of the record counts once, rejected ones too: its functional
    length less the nominal one, against its tolerance. With --file, a column of any values.

    What stands in the way of using the numbers comes first: an unstable process, too few values,
    values that are not normal, a gauge that is too coarse.

    Example: labkit capability --process example-resin --lot B-17 --report capability-b17

    Example: labkit capability --file coupons.csv --column length --lower 29.9 --upper 30.1
    """
    from labkit.qa.process.study import study

    check_report_place(given)
    sample = sample_asked(given)
    rules = rules_asked(given)
    found = study(sample, rules)
    if given["as_json"]:
        print_json(_json(found))
    else:
        _show(found)
    if given["report_dir"] is not None:
        from labkit.documents.capability_report import capability_report

        write_asked(lambda day: capability_report(found, rules, day), given)


def _show(found: Study) -> None:
    from labkit.documents import process_words as words

    print_about(found.sample)
    out().print()
    print_findings(found.findings)
    print_rows("Indices", words.INDEX_HEAD, words.index_rows(found))
    print_rows("Spread", words.SPREAD_HEAD, words.spread_rows(found))
    print_rows("Outside the limits", words.SHARE_HEAD, words.share_rows(found))
    for grouping in found.sample.groupings:
        title = f"By {grouping.name}"
        print_rows(title, words.GROUP_HEAD, words.group_rows(found.sample, grouping))
    if found.chart is not None:
        print_rows("Signals", words.SIGNAL_HEAD, words.signal_rows(found.sample, found.chart))
    for line in (words.normality_words(found), words.interval_words(found),
                 words.gauge_words(found), words.risk_words(found)):
        if line:
            out().print(line, markup=False, soft_wrap=True)


def _json(found: Study) -> dict[str, Any]:
    from labkit.core.jsonable import jsonable

    result = found.capability
    return {
        "schema": 1,
        "about": dict(found.sample.about),
        "unit": found.sample.unit,
        "n": result.n,
        "mean": result.mean,
        "lowest": result.lowest,
        "highest": result.highest,
        "limits": jsonable(result.limits),
        "confidence": result.confidence,
        "within": jsonable(result.within),
        "overall": jsonable(result.overall),
        "cpm": jsonable(result.target),
        "counted_below": result.found_below,
        "counted_above": result.found_above,
        "normality": jsonable(found.normality),
        "percentiles": jsonable(found.percentiles),
        "tolerance_interval": jsonable(found.interval),
        "stable": None if found.chart is None else found.chart.is_stable,
        "signals": [] if found.chart is None else jsonable(found.chart.signals),
        "uncertainty": found.sample.uncertainty,
        "findings": list(found.findings),
    }
