"""`labkit chart`: individual values and moving ranges of a process, with run rules."""

from __future__ import annotations

from typing import Any

import click
import rich_click

from labkit.cli import clock
from labkit.cli.process.options import (
    check_report_place,
    process_options,
    put_out,
    rules_asked,
    sample_asked,
)


@click.command("chart", cls=rich_click.RichCommand)
@process_options
def command(**given: Any) -> None:
    """Chart individual values and moving ranges: is the process stable?

    The limits come from the values themselves (mean ± 3 standard deviations, from the mean moving
    range). Values are taken as `labkit capability` takes them.

    Example: labkit chart --process example-resin --since 2031-01-01 --report chart-resin

    Example: labkit chart --file values.csv
    """
    from labkit.documents.capability_report import chart_report
    from labkit.qa.process.control_chart import individuals

    check_report_place(given)
    sample, rules = sample_asked(given), rules_asked(given)
    chart = individuals(sample.values, rules)
    put_out(chart_report(sample, chart, rules, clock.today().isoformat()), given)
