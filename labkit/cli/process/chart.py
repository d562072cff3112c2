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
    from labkit.workflow.process.looks import Look, process_look

    check_report_place(given)
    put_out(process_look(
        sample_asked(given), Look.CHART, clock.today(), all_rules=given["all_rules"]
    ), given)
