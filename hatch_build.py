"""Writes into a package which commit it was built from."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class CommitHook(BuildHookInterface):
    """Adds labkit/built_from.txt where the source is a checkout."""

    _folder: tempfile.TemporaryDirectory[str] | None = None

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Put the file among those of the package; an editable one asks its checkout itself."""
        if version == "editable" or not (digest := _commit(self.root)):
            return
        self._folder = tempfile.TemporaryDirectory(prefix="labkit-build-")
        place = Path(self._folder.name) / "built_from.txt"
        place.write_text(digest, encoding="ascii")
        build_data["force_include"][str(place)] = "labkit/built_from.txt"

    def finalize(self, *_: object) -> None:
        """Remove it again; a build that fails does so at its end."""
        if self._folder is not None:
            self._folder.cleanup()


def _commit(root: str) -> str:
    """Ask as the program does, so that a changed checkout says that it is."""
    sys.path.insert(0, root)
    try:
        from labkit.commit import commit_of

        return commit_of(Path(root))
    finally:
        sys.path.remove(root)
