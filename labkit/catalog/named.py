"""Reading all named things of one kind, the program's own and a lab's, and picking one by name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Protocol, TypeVar

from labkit.catalog.places import files_in, templates_dir
from labkit.catalog.toml_source import TomlSource, parse_toml, read_text
from labkit.core.form.words import unknown
from labkit.errors import InputError


class Named(Protocol):
    """Anything with a name of its own."""

    @property
    def name(self) -> str:
        """The name."""
        ...


NamedT = TypeVar("NamedT", bound=Named)


def read_all(
    kind: str, folder: str, extra: Iterable[str], read: Callable[[TomlSource], Iterable[NamedT]]
) -> dict[str, NamedT]:
    """Read everything of one kind.

    Args:
        folder: Folder of the program's own, below its templates.
        extra: Files, or folders of .toml files, of the lab's own.

    Returns:
        Values by name, in the order of files.

    Raises:
        InputError: A file cannot be read or is not of this kind, or two bear one name.
    """
    found: dict[str, NamedT] = {}
    origin: dict[str, str] = {}
    places: list[Path | str] = [templates_dir() / folder, *extra]
    what = "templates" if folder == "rods" else folder
    for path in (path for place in places for path in files_in(place, what)):
        for one in read(parse_toml(read_text(path), str(path))):
            if one.name in found:
                raise InputError(
                    f"{kind} `{one.name}` is already defined in {origin[one.name]}; give the "
                    f"lab's own {kind} a name of its own",
                    where=str(path),
                )
            found[one.name], origin[one.name] = one, path.name
    return found


def find(kind: str, known: Mapping[str, NamedT], name: str) -> NamedT:
    """Pick one by name.

    Raises:
        InputError: There is none; the sentence names the nearest and all known ones.
    """
    if name in known:
        return known[name]
    raise InputError(f"{kind} {unknown(name, known)}", field=kind, value=name)
