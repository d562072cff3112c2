"""Reads instrument files: what a lab measures rods with, how well, and its gauge pins."""

from __future__ import annotations

from collections.abc import Mapping

from labkit.catalog.named import find, read_all
from labkit.catalog.problems import at, read_whole
from labkit.catalog.toml_source import TomlSource
from labkit.core.gauging.gauge_pins import KIND, GaugePins
from labkit.core.gauging.instruments import Instrument


def instruments(extra: tuple[str, ...] = ()) -> dict[str, Instrument]:
    """Read all instruments: the program's examples and a lab's own.

    Args:
        extra: Files, or folders of .toml files, of the lab's own instruments.

    Raises:
        InputError: A file is not an instrument file, or two instruments bear one name.
    """
    return read_all(
        "instrument", "instruments", extra,
        lambda source: () if _pins(source) else (read_instrument(source),),
    )


def gauge_pins(extra: tuple[str, ...] = ()) -> dict[str, GaugePins]:
    """Read all sets of gauge pins; their files lie among those of the instruments.

    Raises:
        InputError: A file is not one of gauge pins though it says so, or two bear one name.
    """
    return read_all(
        "gauge pins", "instruments", extra,
        lambda source: (read_whole(GaugePins, source),) if _pins(source) else (),
    )


def find_pins(known: Mapping[str, GaugePins], name: str) -> GaugePins:
    """Pick a set of gauge pins by name; see `find`."""
    return find("gauge pins", known, name)


def _pins(source: TomlSource) -> bool:
    return source.data.get("kind") == KIND


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
