"""Options that say what a lab makes a set with, gathered into one value."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import find_process, processes
from labkit.cli.common import PROCESS, PROCESSES, PROFILE
from labkit.cli.sets.profile import open_profile
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
        process = find_process(processes(process_places), process_name)
        means = Means(process, load_lettering(), open_profile(profile_path))
        command(*arguments, means=means, **others)

    return with_means
