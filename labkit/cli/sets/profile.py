"""The lab's profile as named on the command line."""

from __future__ import annotations

from pathlib import Path

from labkit.catalog.profiles import Profile, default_profile, read_profile
from labkit.catalog.toml_source import parse_toml, read_text
from labkit.cli.common import say


def open_profile(path: str | None) -> Profile:
    """Read the lab's profile, or give that of a lab that has none."""
    if path is None:
        return default_profile()
    profile = read_profile(parse_toml(read_text(Path(path)), path))
    if missing := profile.texts.missing:
        say(f"Note: the texts of {path} lack {', '.join(missing)}; these words stay English",
            to_stderr=True)
    return profile


def named_profile(path: str | None) -> Profile | None:
    """Read the lab's profile; None where none is named, so that the one of a set can serve."""
    return open_profile(path) if path else None
