"""`labkit gauge-study`: how much of what is measured is the gauge."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import PROFILE, out, print_json, print_notes
from labkit.cli.process.options import print_rows
from labkit.cli.process.table_bytes import bytes_of_table
from labkit.errors import InputError

if TYPE_CHECKING:
    from labkit.documents.gauge_words import Row
    from labkit.qa.gauge.outcome import Outcome

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command("gauge-study", cls=rich_click.RichCommand)
@click.argument("study", metavar="[FILE]", type=_FILE, required=False)
@click.option("--tolerance", type=float, metavar="MM",
              help="Tolerance of the length that the gauge decides on, ±.")
@click.option("--method", type=click.Choice(["anova", "ranges", "both"]), default="both",
              show_default=True, help="Analysis of variance, averages and ranges, or both.")
@click.option("--bias", "bias_file", type=_FILE, metavar="FILE",
              help="Table with the columns reference and value, for bias and linearity; without "
              "it, the column reference of the study.")
@click.option("--pool-above", "level", type=float, default=0.25, show_default=True, metavar="P",
              help="Pool the interaction of parts and operators where chance explains it with "
              "more than this; 1 never pools.")
@click.option("--confidence", type=float, default=0.95, show_default=True, metavar="P",
              help="Confidence of the intervals.")
@click.option("--report", "report_dir", metavar="FOLDER", type=click.Path(path_type=Path),
              help="New folder for a report: PDF, and each chart as SVG and PNG.")
@PROFILE
@click.option("--json", "as_json", is_flag=True, help="One JSON object on one line.")
def command(
    study: Path | None, bias_file: Path | None, report_dir: Path | None, as_json: bool,
    profile_path: str | None, **asked: object,
) -> None:
    """Study a gauge: repeatability, operators, bias and linearity of a way of measuring.

    FILE is a CSV table with a line for each reading and the columns part, value (mm), and where
    you have them operator, trial and reference (calibrated value of the part, mm). Every operator
    measures every part equally often, taking it out and putting it back; usual are 10 parts that
    differ as much as your rods do, 3 operators and 2 or 3 trials. Without operators the study is
    that of a gauge that works by itself.

    Prints the components of the variation with their shares, the judgement by usual practice, and
    the lines on repeatability for the instrument's own file.

    Example: labkit gauge-study calliper.csv --tolerance 0.15 --report calliper-study

    Example: labkit gauge-study --bias gauge-blocks.csv
    """  # fmt: skip
    from labkit.qa.files.gauge_file import read_bias, read_study
    from labkit.qa.gauge.outcome import Asked, Ways, work_out

    if study is None and bias_file is None:
        raise InputError(
            "no readings were named; give the table of a study, or --bias with the table of a "
            "bias study"
        )
    wanted = Asked(
        Ways(str(asked["method"])), _number(asked["tolerance"]), _number(asked["level"]) or 0.0,
        _number(asked["confidence"]) or 0.0,
    )  # fmt: skip
    if report_dir is not None:
        from labkit.documents.process_report import refuse_taken

        refuse_taken(report_dir)
    crossed = read_study(bytes_of_table(study), str(study)) if study else None
    against = read_bias(bytes_of_table(bias_file), str(bias_file)) if bias_file else None
    outcome = work_out(crossed, against, wanted)
    names = ", ".join(path.name for path in (study, bias_file) if path)
    files = _written(outcome, names, report_dir, profile_path)
    if as_json:
        from labkit.qa.gauge.as_json import outcome_json

        print_json({**outcome_json(outcome), "report": [str(path) for path in files]})
        return
    _show(outcome, names)
    if files:
        out().print(f"Report: {files[0]}", markup=False, soft_wrap=True)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) else None


def _written(
    outcome: Outcome, names: str, folder: Path | None, profile_path: str | None
) -> list[Path]:
    if folder is None:
        return []
    from labkit.cli.sets.profile import open_profile
    from labkit.documents.gauge_report import gauge_report
    from labkit.documents.process_report import write_report

    profile = open_profile(profile_path)
    return write_report(gauge_report(outcome, names, clock.today().isoformat()), folder, profile)


def _show(outcome: Outcome, names: str) -> None:
    study = outcome.study
    if study is not None:
        parts, operators, trials = study.shape
        who = f" × {operators} operators" if study.has_operators else ""
        out().print(f"{names}: {parts} parts{who} × {trials} trials", markup=False)
    print_notes(outcome.findings)
    for title, head, rows, below in _tables(outcome):
        print_rows(title, head, rows)
        for line in below:
            out().print(line, markup=False, soft_wrap=True)
    if outcome.first is not None:
        from labkit.qa.gauge.outcome import instrument_lines

        lines = instrument_lines(outcome.first)
        if lines:
            out().print("For the instrument's file:", style="bold")
        for line in lines:
            out().print(f"  {line}", markup=False)


def _tables(outcome: Outcome) -> Iterator[tuple[str, Row, tuple[Row, ...], Row]]:
    """Give the tables in their order: title, heads, rows and the words below."""
    from labkit.documents import gauge_words as words

    for found in (outcome.by_anova, outcome.by_ranges):
        if found is not None:
            result = found[0]
            yield (
                f"Components by {result.method}", words.component_head(result),
                words.component_rows(result),
                words.method_words(result, outcome.asked.confidence),
            )
    if outcome.by_anova is not None:
        rows = words.anova_rows(outcome.by_anova[1])
        yield "Analysis of variance", words.ANOVA_HEAD, rows, ()
    if outcome.by_ranges is not None:
        yield "Ranges", words.RANGE_HEAD, words.range_rows(outcome.by_ranges[1]), ()
    if outcome.biases:
        yield "Bias", words.BIAS_HEAD, words.bias_rows(outcome), ()
    if outcome.line is not None:
        yield "Linearity", words.LINE_HEAD, words.line_rows(outcome.line), ()
