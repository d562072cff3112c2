"""The log of a batch or a worker: a line of JSON for each outcome, as it comes."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from contextlib import contextmanager
from io import FileIO
from pathlib import Path

import click

from labkit.cli.common import say
from labkit.core.jsonable import jsonable
from labkit.errors import InputError
from labkit.workflow.sets.batch import Outcome

LOG = click.option(
    "--log", "log_file", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False),
    help="File to add each outcome to as it comes, a line of JSON each.",
)


class Log:
    """Adds outcomes to a file at once; one that takes no more keeps no set from being made.

    Args:
        stream: The file, unbuffered; None for no log.
    """

    def __init__(self, stream: FileIO | None) -> None:
        self._stream = stream
        self.is_broken = False

    def add(self, outcome: Outcome) -> None:
        """Add an outcome, or say once that this one and the next are not in the log."""
        if self._stream is None or self.is_broken:
            return
        left = f"{line_of(outcome)}\n".encode()
        try:
            while left:
                left = left[self._stream.write(left) or 0:]
        except OSError as error:
            self.is_broken = True
            say(
                f"labkit: the log {self._stream.name} takes no more ({error.strerror or error}): "
                f"what became of {outcome.case or outcome.file} and of what comes after it is not "
                "in it, and its last line may be incomplete; sets are made all the same; give "
                "it room", to_stderr=True,
            )


@contextmanager
def log_into(file: Path | None) -> Iterator[Log]:
    """Open the log, before anything is made.

    Raises:
        InputError: It cannot be written.
    """
    if file is None:
        yield Log(None)
        return
    try:
        stream = file.open("ab", buffering=0)
    except OSError as error:
        raise InputError(
            f"the log {file} cannot be written ({error.strerror or error}); name a file in a "
            "folder that is there and can be written with --log", field="log", value=str(file),
        ) from error
    with stream:
        yield Log(stream)


def line_of(outcome: Outcome) -> str:
    """Write an outcome as one JSON object on one line."""
    told = {"schema": 1, **dataclasses.asdict(outcome)}
    told["set"] = told.pop("set_name")
    return json.dumps(jsonable(told), ensure_ascii=False)
