"""Which state of the source the program is, beside its version: for `about` and the record only.

Files of a set tell the version alone: a commit in them would make them other files with each one.
"""

from __future__ import annotations

import subprocess
from functools import cache
from pathlib import Path

from labkit import __version__

#: Written into a package when it is built (hatch_build.py).
BUILT_FROM = Path(__file__).with_name("built_from.txt")
_DIGITS = 12


@cache
def commit() -> str:
    """Give the commit that the program is, with ".changed" where its files were changed since.

    Returns:
        Twelve hexadecimal digits, empty where it is not known.
    """
    if BUILT_FROM.exists():
        return BUILT_FROM.read_text("ascii").strip()
    return commit_of(Path(__file__).resolve().parents[1])


def commit_of(root: Path) -> str:
    """Give the commit that is checked out in a folder, as `commit`; empty where none is."""
    try:
        if not (root / ".git").exists():  # else the folder may lie in another project's
            return ""
        digest = _git(root, "rev-parse", "HEAD")[:_DIGITS]
        changed = _git(root, "status", "--porcelain", "--untracked-files=no", "--", "labkit",
                       "templates")
    except (OSError, subprocess.SubprocessError):
        return ""
    return f"{digest}.changed" if changed else digest


def _git(root: Path, *words: str) -> str:
    done = subprocess.run(
        ["git", "-C", str(root), *words], capture_output=True, text=True, check=True, timeout=10
    )
    return done.stdout.strip()


def version_and_commit() -> str:
    """Give version and commit in one word, such as 1.3.0+5ee748d0c1aa."""
    return f"{__version__}+{commit()}" if commit() else __version__
