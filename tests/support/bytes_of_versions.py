"""What the files of the examples are, in one digest for each version of the program.

Usage, for the line of this version: python -m tests.support.bytes_of_versions
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from labkit import __version__
from tests.support.write_examples import EXAMPLES

KEPT = Path(__file__).parent.parent / "golden" / "bytes-of-versions.txt"


def kept() -> dict[str, str]:
    """Give the digest of every version that was noted."""
    lines = KEPT.read_text("ascii").splitlines()
    return dict(line.split() for line in lines if not line.startswith("#"))


def digest_of_sets(demo: Path) -> str:
    """Give one digest of the lists of sums of some sets, without pictures that a driver draws."""
    lists = sorted(demo.glob("*/SHA256SUMS"))
    lines = [
        f"{path.parent.name}/{line}" for path in lists for line in path.read_text().splitlines()
        if not line.endswith(".png")
    ]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


if __name__ == "__main__":
    print(__version__, digest_of_sets(EXAMPLES / "demo"))
