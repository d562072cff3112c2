"""Options that say what a lab makes a set with, gathered into one value."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import UNCOMPENSATED, find_process, processes
from labkit.cli.common import PROCESS, PROCESSES, PROFILE
from labkit.cli.sets.profile import open_profile
from labkit.errors import InputError
from labkit.workflow.sets.job import Means


def takes_means(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options --process, --processes and --profile as one argument `means`."""

    @PROCESS
    @PROCESSES
    @PROFILE
    @functools.wraps(command)
    def with_means(
        *arguments: Any,
        process_name: str,
        process_places: tuple[str, ...],
        profile_path: str | None,
        **others: Any,
    ) -> None:
        means = means_of(process_name, process_places, profile_path)
        command(*arguments, means=means, **others)

    return with_means


def means_of(
    process_name: str | None, process_places: tuple[str, ...], profile_path: str | None
) -> Means:
    """Gather what the three options name.

    Raises:
        InputError: One of them names what is not there, or a file cannot be read.
    """
    profile = open_profile(profile_path)
    named = process_name or profile.process
    try:
        process = find_process(processes(process_places), named or UNCOMPENSATED)
    except InputError as error:
        error.where = "" if process_name else profile_path or ""
        raise
    return Means(process, load_lettering(), profile, process_named=bool(named))
