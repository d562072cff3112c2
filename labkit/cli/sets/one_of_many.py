"""One set of a batch, made in a worker of this machine or, from a queue, of any other."""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import json
from collections.abc import Callable
from pathlib import Path

from labkit.catalog.profiles import Profile, profile_json
from labkit.catalog.rods import rod_templates
from labkit.catalog.toml_source import TomlSource, parse_toml
from labkit.cli.common import open_source
from labkit.cli.ending import unforeseen
from labkit.cli.means import means_of
from labkit.cli.process.notes import range_notes
from labkit.cli.record.recording import recording
from labkit.cli.sets.make import notes_in
from labkit.core.rod.rods import RodTemplate
from labkit.errors import (
    EXIT_UNREADABLE,
    DeliveryError,
    InputErrors,
    LabkitError,
    LedgerAwayError,
    LedgerError,
    MadeAlreadyError,
)
from labkit.units import as_written
from labkit.workflow.sets.batch import Outcome, with_set, with_set_in
from labkit.workflow.sets.cases import Case, open_case
from labkit.workflow.sets.job import Means
from labkit.workflow.sets.make import make_set
from labkit.workflow.sets.queue import MARK_FILE, Asked
from labkit.workflow.sets.spec import inputs_sha256


@dataclasses.dataclass(frozen=True)
class Bench:
    """What a worker makes sets with, as named; the catalogs are read in each.

    Args:
        by, ledger_url: Who records and where; None for nobody.
    """

    out_dir: Path
    process_name: str | None
    process_places: tuple[str, ...]
    profile_path: str | None
    template_places: tuple[str, ...]
    by: str | None
    ledger_url: str | None

    @property
    def means(self) -> Means:
        """What the sets are made with."""
        return _means(self.process_name, self.process_places, self.profile_path)

    @property
    def templates(self) -> dict[str, RodTemplate]:
        """The rod templates, by name."""
        return _templates(self.template_places)


#: A worker makes many sets: what they are made with is read once, as by one `labkit make` of many.
_means = functools.lru_cache(maxsize=4)(means_of)
_templates = functools.lru_cache(maxsize=4)(rod_templates)


def make_one(bench: Bench, file: str) -> Outcome:
    """Make the set of one prescription."""
    return _made(bench, file, lambda: open_source(file))


def make_asked(bench: Bench, asked: Asked) -> Outcome:
    """Make a set that was taken from a queue, unless this host would make it otherwise.

    Args:
        bench: This host's own; what travels with the set is taken from that.

    Returns:
        What became of it: "waiting", with the reason, where this host cannot make it now.
    """
    bench = dataclasses.replace(
        bench, out_dir=Path(asked.out), process_name=asked.process, by=asked.by
    )
    if said := _not_here(bench, asked):
        return Outcome(asked.file, asked.case, "waiting", said=(said,))
    read = functools.partial(parse_toml, asked.text, asked.file)
    return _made(bench, asked.file, read, away="waiting")


def _not_here(bench: Bench, asked: Asked) -> str:
    """Say why this host cannot make a set as it was asked for; empty where it can."""
    if not (bench.out_dir / MARK_FILE).exists():
        return (
            f"the folder of the sets, {asked.out}, is not on this host as it was where the batch "
            "was asked for; mount it at the same place"
        )
    try:
        opened = open_case(parse_toml(asked.text, asked.file), bench.templates)
        same = digests(opened, bench.means) == (asked.inputs_sha256, asked.profile_sha256)
    except LabkitError as error:
        return f"this host does not read what the set is made from as it was read before: {error}"
    return "" if same else (
        "this host has another version of the program, template, process, lettering or profile "
        "than where the batch was asked for; give it the same"
    )


def digests(case: Case, means: Means) -> tuple[str, str]:
    """Give the digests of what a set's rods and its papers are made from."""
    return inputs_sha256(case, means.process, means.lettering), _profile_sha256(means.profile)


def _profile_sha256(profile: Profile) -> str:
    text = json.dumps(as_written(profile_json(profile)), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _made(
    bench: Bench, file: str, read: Callable[[], TomlSource], *, away: str = "broken off"
) -> Outcome:
    """Make a set, and tell what became of it.

    Args:
        away: State of a set that cannot be made because the record cannot be reached.
    """
    case = ""
    try:
        source = read()
        case = str(source.data.get("case", ""))
        opened = open_case(source, bench.templates)
        with recording(bench.by, bench.ledger_url) as recorder:
            made = make_set(opened, bench.means, bench.out_dir, _not_told, recorder)
        beyond = range_notes(bench.means.process, opened.spacer_set)
        notes = (*(finding.message for finding in beyond), *notes_in(made.spec))
        state = "there" if made.again else "made"
        return with_set(Outcome(file, case, state, said=notes), made.folder, made.spec)
    except MadeAlreadyError as error:
        return with_set_in(bench.out_dir, Outcome(file, case, "there", said=(str(error),)))
    except LedgerAwayError as error:
        return dataclasses.replace(failed(file, case, error), state=away)
    except LabkitError as error:
        return failed(file, case, error)
    except Exception as error:
        return Outcome(file, case, "broken off", said=(unforeseen(error),))


def _not_told(_: str) -> None:
    """Take no notice of a piece that is done."""


def failed(file: str, case: str, error: LabkitError) -> Outcome:
    """Say why there is no set."""
    state = "unreadable" if error.exit_code == EXIT_UNREADABLE else "refused"
    if isinstance(error, DeliveryError) and isinstance(error.__cause__, OSError):
        state = "not written"
    if isinstance(error, LedgerError):
        state = "broken off"  # the record, not the case: it may go well the next time
    if not isinstance(error, InputErrors) and not error.where:
        error.where = file
    return Outcome(file, case, state, said=tuple(str(error).splitlines()))
