"""`labkit accounts`: who may sign in at the workplace from other machines."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import rich_click

from labkit.cli.common import print_json, say
from labkit.cli.print_report import print_table
from labkit.core.report import Column, Table
from labkit.web.rights import ROLES, Role

_FILE = click.argument("file", type=click.Path(path_type=Path, dir_okay=False))


@click.group("accounts", cls=rich_click.RichGroup)
def command() -> None:
    """Keep the accounts with which people sign in from other machines.

    Example: labkit accounts add accounts.json dora --role dentist
    """


@command.command("add", cls=rich_click.RichCommand)
@_FILE
@click.argument("code")
@click.option("--role", type=click.Choice(list(map(str, ROLES))), required=True,
              help="What the operator does.")
@click.option("--cases", multiple=True, metavar="BEGINNING",
              help="Show only cases whose numbers begin like this; may be repeated.")
@click.option("--clinic", default="", metavar="NAME",
              help="Name of the operator's clinic; --cases says which cases are its own.")
@click.password_option("--passphrase", prompt="Passphrase", metavar="TEXT",
                       help="12 characters or more; asked for if left out.")
def add_command(file: Path, code: str, role: str, passphrase: str, **given: Any) -> None:
    """Add an account to FILE, or change the role and passphrase of one.

    Only a hash of the passphrase is kept. An account of a clinic sees the clinic's own cases only.

    Examples: labkit accounts add accounts.json quinn --role QA

    labkit accounts add accounts.json dora --role dentist --clinic "Elm Street" --cases QF-
    """
    from labkit.web.accounts import Accounts

    Accounts(file).add(code, Role(role), passphrase, given["cases"], given["clinic"])
    say(f"{code} signs in as {role}; the accounts lie in {file}")


@command.command("remove", cls=rich_click.RichCommand)
@_FILE
@click.argument("code")
def remove_command(file: Path, code: str) -> None:
    """Remove an account; whoever is signed in with it is signed out.

    Example: labkit accounts remove accounts.json dora
    """
    from labkit.web.accounts import Accounts

    Accounts(file).remove(code)
    say(f"{code} signs in no more")


@command.command("list", cls=rich_click.RichCommand)
@_FILE
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def list_command(file: Path, as_json: bool) -> None:
    """List the accounts of FILE.

    Example: labkit accounts list accounts.json
    """
    from labkit.web.accounts import Accounts

    table = Table.of(_COLUMNS, Accounts(file).every().items())
    if not as_json:
        print_table("Accounts", table)
    for record in table.records if as_json else ():
        print_json(record)


_COLUMNS = (
    Column("code", lambda one: one[0], "code"),
    Column("role", lambda one: str(one[1].role), "role"),
    Column("clinic", lambda one: one[1].clinic, "clinic"),
    Column("cases", lambda one: list(one[1].cases), "cases",
           show=lambda begin: ", ".join(f"{each}…" for each in begin) or "all"),
)
