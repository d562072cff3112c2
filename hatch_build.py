"""Writes into a package which commit it was built from."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class CommitHook(BuildHookInterface):
    """Adds labkit/built_from.txt where the source is a checkout."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Put the file among those of the package; an editable one asks its checkout itself."""
        root = Path(self.root)
        if version == "editable" or not (root / ".git").exists():
            return
        asked = ["git", "-C", str(root), "rev-parse", "--short=12", "HEAD"]
        done = subprocess.run(asked, capture_output=True, text=True, check=False)
        if done.returncode == 0:
            place = Path(tempfile.mkdtemp(prefix="labkit-build-")) / "built_from.txt"
            place.write_text(done.stdout.strip(), encoding="ascii")
            build_data["force_include"][str(place)] = "labkit/built_from.txt"
