"""`labkit gauge-study`: how much of what is measured is the gauge."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import PROFILE
from labkit.cli.numbers import Real
from labkit.cli.process.options import REPORT, check_report_place, put_out
from labkit.cli.sent_bytes import bytes_of_table
from labkit.errors import InputError

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command("gauge-study", cls=rich_click.RichCommand)
@click.argument("study", metavar="[FILE]", type=_FILE, required=False)
@click.option("--tolerance", type=Real(), metavar="MM",
              help="Tolerance of the length that the gauge decides on, ±.")
@click.option("--method", type=click.Choice(["anova", "ranges", "both"]), default="both",
              show_default=True, help="Analysis of variance, averages and ranges, or both.")
@click.option("--bias", "bias_file", type=_FILE, metavar="FILE",
              help="Table with the columns reference and value, for bias and linearity; without "
              "it, the column reference of the study.")
@click.option("--pool-above", "level", type=Real(), default=0.25, show_default=True, metavar="P",
              help="Pool what changes between persons from rod to rod if its p-value exceeds P; "
              "1 never pools.")
@click.option("--confidence", type=Real(), default=0.95, show_default=True, metavar="P",
              help="Confidence of the intervals.")
@REPORT
@PROFILE
@click.option("--json", "as_json", is_flag=True, help="One JSON object on one line.")
def command(study: Path | None, bias_file: Path | None, **asked: Any) -> None:
    """Study a gauge: how much of a reading is the gauge, and how much the person.

    FILE is a CSV table with a line for each reading and the columns part, value (mm) and, if you
    have them, operator, trial and reference (calibrated value of the part, mm). Every operator
    measures every part equally often, taking it out and putting it back; 10 parts that differ as
    much as your rods do, 3 operators and 2 or 3 trials are usual. Without operators the study is
    that of a gauge that works by itself.

    Prints what the same person, another person and the rods add to the differences, the judgement
    by usual practice, the persons and rods to look at, and the lines for the instrument's own file.

    Example: labkit gauge-study calliper.csv --tolerance 0.15 --report calliper-study

    Example: labkit gauge-study --bias gauge-blocks.csv
    """
    from labkit.qa.gauge.outcome import Asked, Ways
    from labkit.workflow.process.looks import TableSent, gauge_look

    if study is None and bias_file is None:
        raise InputError(
            "no readings were named; give the table of a study, or --bias with the table of a "
            "bias study"
        )
    wanted = Asked(
        Ways(asked["method"]), asked["tolerance"], asked["level"], asked["confidence"]
    )
    check_report_place(asked)
    sent = [
        TableSent(path.name, bytes_of_table(path), str(path)) if path else None
        for path in (study, bias_file)
    ]
    put_out(gauge_look(sent[0], sent[1], wanted, clock.today()), asked, listed=True)
