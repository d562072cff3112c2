"""Reads instrument files: what a lab measures rods with, and how well."""

from __future__ import annotations

from collections.abc import Mapping

from labkit.catalog.named import find, read_all
from labkit.catalog.problems import at, read_whole
from labkit.catalog.toml_source import TomlSource
from labkit.core.gauging.instruments import Instrument


def instruments(extra: tuple[str, ...] = ()) -> dict[str, Instrument]:
    """Read all instruments: the program's examples and a lab's own.

    Args:
        extra: Files, or folders of .toml files, of the lab's own instruments.

    Raises:
        InputError: A file is not an instrument file, or two instruments bear one name.
    """
    return read_all("instrument", "instruments", extra, lambda source: (read_instrument(source),))


def find_instrument(known: Mapping[str, Instrument], name: str) -> Instrument:
    """Pick an instrument by name; see `find`."""
    return find("instrument", known, name)


def read_instrument(source: TomlSource) -> Instrument:
    """Turn one instrument file into checked values.

    Raises:
        InputErrors: Every mistake in the file.
    """
    instrument = read_whole(Instrument, source)
    if len(set(instrument.methods)) < len(instrument.methods):
        raise at(source, ("methods",), "names a way of measuring twice; name each once")
    return instrument
