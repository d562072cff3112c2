"""`labkit guide`: the pages that say how everything is used."""

from __future__ import annotations

import sys

import click
import rich_click
from rich.markdown import Markdown

from labkit.catalog.guide import TOPICS, page, title
from labkit.cli.common import out
from labkit.cli.print_report import print_report
from labkit.core.report import Column, Report, Section, Table


@click.command("guide", cls=rich_click.RichCommand)
@click.argument("topic", required=False)
def command(topic: str | None) -> None:
    """List the pages of the guide, or show one.

    In a file or a pipe, a page is plain Markdown.

    Example: labkit guide trial-and-rods
    """
    if topic is None:
        columns = (Column("topic", str), Column("page", title))
        more = "Show one with `labkit guide TOPIC`"
        pages = Section("The guide", (more,), table=Table.of(columns, TOPICS))
        print_report(Report("The guide", (pages,)))
    elif sys.stdout.isatty():
        out().print(Markdown(page(topic)))
    else:
        click.echo(page(topic), nl=False)
