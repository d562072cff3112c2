"""`labkit chart`: individual values and moving ranges of a process, with run rules."""

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
    from labkit.qa.process.control_chart import Individuals
    from labkit.qa.process.sample import Sample


@click.command("chart", cls=rich_click.RichCommand)
@process_options
def command(**given: Any) -> None:
    """Chart individual values and moving ranges: is the process stable?

    The limits come from the values themselves (mean ± 3 standard deviations, from the mean moving
    range). Values are taken as `labkit capability` takes them.

    Example: labkit chart --process example-resin --since 2031-01-01 --report chart-resin

    Example: labkit chart --file values.csv
    """
    from labkit.qa.process.control_chart import individuals
    from labkit.qa.process.study import chart_findings

    check_report_place(given)
    sample = sample_asked(given)
    rules = rules_asked(given)
    chart = individuals(sample.values, rules)
    findings = chart_findings(sample, chart, rules)
    if given["as_json"]:
        print_json(_json(sample, chart, findings))
    else:
        _show(sample, chart, findings)
    if given["report_dir"] is not None:
        from labkit.documents.capability_report import chart_report

        write_asked(lambda day: chart_report(sample, chart, rules, day), given)


def _show(sample: Sample, chart: Individuals, findings: tuple[str, ...]) -> None:
    from labkit.documents import process_words as words

    print_about(sample)
    out().print()
    print_findings(findings)
    print_rows("Limits of the chart", words.LIMIT_HEAD, words.limit_rows(chart))
    print_rows("Signals", words.SIGNAL_HEAD, words.signal_rows(sample, chart))
    if not chart.signals:
        out().print("No signals: nothing speaks against a stable process.")


def _json(sample: Sample, chart: Individuals, findings: tuple[str, ...]) -> dict[str, Any]:
    from labkit.core.jsonable import jsonable

    return {
        "schema": 1,
        "about": dict(sample.about),
        "unit": sample.unit,
        "names": list(sample.names),
        **jsonable(chart),
        "stable": chart.is_stable,
        "findings": list(findings),
    }
