"""The program from Python: what a notebook or an engineer's script calls."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import find_process, processes
from labkit.catalog.profiles import default_profile
from labkit.catalog.rods import rod_templates
from labkit.catalog.toml_source import TomlSource, parse_toml, read_text
from labkit.core.grading.steps import SpacerSet
from labkit.core.rod.rods import Process
from labkit.errors import InputError
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.job import Means

if TYPE_CHECKING:
    from labkit.workflow.sets.make import MadeSet

#: A prescription: path of its file, its text, or its tables as a dictionary.
Rx = str | Path | Mapping[str, Any]


def lengths(rx: Rx) -> SpacerSet:
    """Work out the graded rod lengths of a prescription; nothing is written.

    Returns:
        Steps by rising percent with the rods of both sides, as frozen values in mm and degrees.
        What a rule of the trade refuses stands in `refused`, what it notes in `findings`.

    Raises:
        InputError: The prescription cannot be read; the sentence names the key.

    >>> graded = lengths("templates/prescriptions/demo-plain.toml")
    >>> [(step.name, step.left.label) for step in graded.steps][:3]
    [('40 %', '34.2'), ('55 %', '32.8'), ('70 %', '31.5')]
    """
    return open_case(_source(rx), rod_templates()).spacer_set


def make(rx: Rx, out: str | Path, process: str | Process = "nominal") -> MadeSet:
    """Make the finished set of a prescription in a folder; it is not recorded.

    Args:
        out: Folder that takes the set's own folder.
        process: Name of a process that comes with the program, or a process of your own; without
            one, STL and plates are at nominal size, uncompensated.

    Returns:
        Where the set lies (`folder`), the content of its spacer-set.json (`spec`), and its parts
        with what their files measured.

    Raises:
        InputError: The prescription cannot be read.
        RefusedError: A rule refuses the case, or a file does not measure as it should.
    """
    from labkit.workflow.sets.make import make_set

    if isinstance(process, str):
        process = find_process(processes(), process)
    case = open_case(_source(rx), rod_templates())
    return make_set(case, Means(process, load_lettering(), default_profile()), Path(out), _still)


def _source(rx: Rx) -> TomlSource:
    """Read a prescription; a text of several lines is the prescription itself."""
    if isinstance(rx, Mapping):
        import tomlkit
        from tomlkit.exceptions import ConvertError

        try:
            return parse_toml(tomlkit.dumps(rx), "prescription")
        except ConvertError as error:
            raise InputError(
                f"the prescription cannot be written as TOML ({error}); leave out keys that have "
                "no value, such as None, and give numbers, texts, dates, lists and dictionaries",
                field="prescription",
            ) from error
    if isinstance(rx, str) and not rx.strip():
        raise InputError(
            "the prescription is empty; give its file, its text, or its tables as a dictionary",
            field="prescription",
        )
    if isinstance(rx, str) and "\n" in rx:
        return parse_toml(rx, "prescription")
    return parse_toml(read_text(Path(rx)), str(rx))


def _still(_: str) -> None:
    """Take no notice of progress."""
