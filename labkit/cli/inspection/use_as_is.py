"""`labkit use-as-is`: a rod that does not conform is used, by the prescriber's word."""

from __future__ import annotations

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import BY, LEDGER, PROFILE, print_cautions
from labkit.cli.print_report import print_report
from labkit.cli.sets.profile import named_profile
from labkit.errors import InputError


@click.command("use-as-is", cls=rich_click.RichCommand)
@click.argument("words", metavar="IDENTIFIER", nargs=-1, required=True)
@click.option("--reason", metavar="TEXT", default="",
              help="Why the rod is used although it does not conform.")
@click.option("--prescriber", metavar="TEXT", default="",
              help="The prescriber's word: who said it, when, how, and what.")
@click.option("--withdraw", metavar="REASON",
              help="Instead, take back that the rod is used as it is.")
@PROFILE
@BY
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    words: tuple[str, ...], by: str, ledger_url: str | None, as_json: bool, **given: str
) -> None:
    """Record that a rod is used as it is although it does not conform.

    This needs a reason, the prescriber's word, and a person other than the one who measured the
    rod. It can accept length, the difference of the sides, fittings and look; never a wrong label,
    a rod that may be another one or is half a step off, one that is not whole, or one that is long
    or short enough to make more than the maximum. It is valid for the present readings: if the rod
    is measured again, it has to be accepted again. The certificate and every paper report it in the
    rod's row.

    Example: labkit use-as-is 48294829173065 --reason "the wearer leaves tomorrow" --prescriber "Dr
    Lind, by telephone, 21 March: 0.3 mm longer is as good" --by kim
    """
    from labkit.ledger.store import open_ledger
    from labkit.workflow.inspection.use_as_is import Accepted, use_as_is, withdraw

    identifier, who = "".join(words), (by, clock.now())
    back = given["withdraw"]
    if back is not None and (given["reason"] or given["prescriber"]):
        raise InputError(
            "--withdraw has its own reason; leave out --reason and --prescriber", field="withdraw"
        )
    with open_ledger(ledger_url, create=False) as ledger:
        if back is not None:
            report = withdraw(ledger, identifier, back, who)
        else:
            words_said = Accepted(given["reason"], given["prescriber"])
            report = use_as_is(
                ledger, identifier, words_said, who, named_profile(given["profile_path"])
            )
    print_report(report, as_json)
    if not as_json:
        print_cautions()
