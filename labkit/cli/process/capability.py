"""`labkit capability`: what a process leaves of the tolerance, and how sure that is."""

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


@click.command("capability", cls=rich_click.RichCommand)
@process_options
def command(**given: Any) -> None:
    """Report what a process can do: how many rods come out too short or too long, Cpk, Ppk.

    Without --file, every measured rod of the record counts once, rejected ones too: its functional
    length minus the nominal one, against its tolerance. With --file, a column of any values.

    Whatever limits the use of the numbers comes first: an unstable process, too few values, values
    that are not normal, a gauge that is too coarse.

    Example: labkit capability --process example-resin --lot B-17 --report capability-b17

    Example: labkit capability --file coupons.csv --column length --lower 29.9 --upper 30.1
    """
    from labkit.workflow.process.looks import Look, process_look

    check_report_place(given)
    put_out(process_look(
        sample_asked(given), Look.CAPABILITY, clock.today(), all_rules=given["all_rules"]
    ), given)
