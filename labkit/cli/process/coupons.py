"""`labkit coupons`: rods to print and measure, from which a process is calibrated."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.cli.common import PROCESSES, TEMPLATES, counting, print_cautions, say
from labkit.cli.numbers import DAY
from labkit.core.form.numbers import exact_number
from labkit.errors import InputError

if TYPE_CHECKING:
    from labkit.workflow.process.coupons import CouponsAsked


@click.command("coupons", cls=rich_click.RichCommand)
@click.argument("template_name", metavar="TEMPLATE")
@click.option("--process", "process_name", required=True, metavar="NAME",
              help="Process to calibrate: coupons are built with its present compensation.")
@click.option("--date", "day", required=True, type=DAY, metavar="YYYY-MM-DD",
              help="Day that the files bear.")
@click.option("--out", "out_path", required=True, metavar="FOLDER",
              type=click.Path(path_type=Path), help="New folder to write.")
@click.option("--length", "lengths", multiple=True, metavar="MM",
              help="Length of coupons, repeatable; without it, four over the template's lengths.")
@click.option("--each", type=click.IntRange(2, 50), default=4, show_default=True,
              help="Coupons of each length.")
@PROCESSES
@TEMPLATES
def command(**asked: Any) -> None:
    """Make coupons: test rods of a template, to calibrate a process with.

    FOLDER gets STEP, STL and build plates of the coupons, and coupons.csv. Print what lies on the
    plates, number the coupons of each length, and write into coupons.csv what each measures: the
    reading (over the fittings) and the diameters. Then calibrate with the command that this one
    ends with. To check the result, measure rods that were not used to calibrate: the coupons
    themselves always fit best.

    Example: labkit coupons eye-eye-flat --process example-resin --date 2031-05-02 --out coupons-may
    """
    from labkit.workflow.process.coupons import make_coupons

    wanted, out = _asked(asked), asked["out_path"]
    with counting("Coupons", len(wanted.rods)) as count:
        table = make_coupons(wanted, out, count)
    template, process = wanted.template.name, wanted.process.name
    for line in (
        f"Coupons: {len(wanted.rods) * wanted.each} rods of {template} in {out}",
        f"Table for the readings: {table}",
        f"When it is filled in: labkit calibrate {table} --process {process} --way over "
        f"--template {template} --name NEW-NAME --date YYYY-MM-DD --by YOU --out NEW-NAME.toml",
    ):
        say(line)
    print_cautions()


def _asked(asked: dict[str, Any]) -> CouponsAsked:
    from labkit.catalog.processes import find_process, processes
    from labkit.catalog.rods import find_template, rod_templates
    from labkit.workflow.process.coupons import CouponsAsked

    return CouponsAsked(
        find_template(rod_templates(asked["template_places"]), asked["template_name"]),
        find_process(processes(asked["process_places"]), asked["process_name"]),
        asked["day"],
        tuple(dict.fromkeys(map(_length, asked["lengths"]))),
        asked["each"],
    )


def _length(text: str) -> Decimal:
    value = exact_number(text)
    if value != value.quantize(Decimal("0.1")):
        raise InputError(
            f"--length {text!r} is not usable; allowed are mm with one decimal, as labels have",
            field="lengths",
        )
    return value.quantize(Decimal("0.1"))
