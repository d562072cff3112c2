"""`labkit serve`: the workplace in the browser."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import (
    INSTRUMENTS,
    LEDGER,
    PROCESS,
    PROCESSES,
    PROFILE,
    TEMPLATES,
    say,
)
from labkit.errors import InputError
from labkit.web.rights import LOOPBACK


@click.command("serve", cls=rich_click.RichCommand)
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS",
              help="Address to listen on; the default is this machine alone.")
@click.option("--port", type=click.IntRange(1, 65535), default=8765, show_default=True,
              help="Port to listen on.")
@click.option("--sets", "sets_dir", default="sets", show_default=True, metavar="DIR",
              type=click.Path(path_type=Path, file_okay=False),
              help="Folder that holds the sets; new ones are made there.")
@click.option("--accounts", "accounts_path", metavar="FILE",
              type=click.Path(path_type=Path, dir_okay=False, exists=True),
              help="Accounts to sign in with (`labkit accounts`); needed for any other host.")
@click.option("--proxy", default="127.0.0.1", show_default=True, metavar="ADDRESS",
              help="Address of the proxy that encrypts; it is trusted to say who asks.")
@LEDGER
@PROCESS
@TEMPLATES
@PROCESSES
@INSTRUMENTS
@PROFILE
def command(
    host: str, port: int, sets_dir: Path, ledger_url: str | None, proxy: str, **given: Any
) -> None:
    """Open the workplace in the browser, for this machine.

    It shows what needs doing today and every case with what its rods mean now, records
    prescriptions, makes and measures rods, releases sets, and records what becomes of rods. Nothing
    is loaded from outside. Stop it with Ctrl-C.

    For other machines it opens only with --host and --accounts, behind a proxy that encrypts
    (labkit guide serve).

    Example: labkit serve --sets sets
    """
    if host not in LOOPBACK and given["accounts_path"] is None:
        raise InputError(
            f"--host {host} would open the workplace to other machines without accounts; add "
            "--accounts FILE (`labkit accounts add`), or leave --host out",
            field="host", value=host, allowed=", ".join(LOOPBACK),
        )
    _require_free(host, port)
    import uvicorn

    from labkit.ledger.store import open_ledger
    from labkit.web.accounts import Accounts
    from labkit.web.app import application
    from labkit.web.workplace import OwnFiles, Workplace

    with open_ledger(ledger_url) as ledger:  # begun where there is none
        place = ledger.place
    own = OwnFiles(
        given["template_places"], given["process_places"], given["instrument_places"],
        given["profile_path"], given["process_name"],
    )
    path = given["accounts_path"]
    accounts = Accounts(path) if path else None
    app = application(Workplace(ledger_url, sets_dir, clock.now, own, accounts))
    shown = f"[{host}]" if ":" in host else host
    say(f"Open http://{shown}:{port}/ in a browser; stop with Ctrl-C. Recorded in {place}")
    uvicorn.run(
        app, host=host, port=port, log_level="warning", server_header=False,
        forwarded_allow_ips=proxy,
    )


def _require_free(host: str, port: int) -> None:
    """Make sure that the workplace can be reached there.

    Raises:
        InputError: It cannot.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        with socket.socket(family) as tried:
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind((host, port))
    except OSError as error:
        raise InputError(
            f"port {port} of {host} cannot be opened ({error.strerror}); another workplace may be "
            "open there: give another one with --port",
            field="port", value=port,
        ) from error
