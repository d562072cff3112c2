"""Writes output_examples/ anew: `labkit demo`, the quick commands, quality assurance, a page."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from click.testing import CliRunner

from labkit.cli.main import cli
from tests.support.gallery import write_gallery
from tests.support.quality_examples import write_quality_examples

ROOT = Path(__file__).parent.parent.parent
EXAMPLES = ROOT / "output_examples"
DEMOS = [f"templates/prescriptions/demo-{name}.toml" for name in ("plain", "hinged")]
#: File name → command line whose standard output it holds.
PRINTED = {
    "lengths.txt": ["lengths", *DEMOS],
    "lengths-opening.txt": ["lengths", DEMOS[1], "--opening", "3", "--opening", "6"],
    "lengths.jsonl": ["lengths", *DEMOS, "--json"],
    "templates.txt": ["templates"],
}


def write_examples(folder: Path) -> None:
    """Write all examples into an empty or missing folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, arguments in PRINTED.items():
        (folder / name).write_text(run(arguments), encoding="utf-8")
    run(["demo", "--out", str(folder / "demo")])
    write_quality_examples(folder / "quality")
    write_gallery(folder)


def run(arguments: list[str]) -> str:
    result = CliRunner().invoke(cli, arguments, env={"COLUMNS": "100"})
    if result.exit_code:
        sys.exit(f"labkit {' '.join(arguments)} ended with {result.exit_code}:\n{result.output}")
    return result.stdout


if __name__ == "__main__":
    if EXAMPLES.exists():
        shutil.rmtree(EXAMPLES)
    write_examples(EXAMPLES)
    print(f"Written: {EXAMPLES}")
