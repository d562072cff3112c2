"""The page of the examples: what a set, its papers and the reports look like, with the commands."""

from __future__ import annotations

import io
import tempfile
from dataclasses import dataclass
from pathlib import Path

import typst
from PIL import Image

#: Pixels per inch of a page of paper, and colours that it keeps: enough to read it on a screen.
_PPI, _COLOURS = 80.0, 48
_PAGE = '#set page(width: auto, height: auto, margin: 0pt)\n#image("paper.pdf", page: {})\n'


@dataclass(frozen=True)
class Look:
    """A picture of the page.

    Args:
        place: The paper or picture, below the examples; a `*` stands for a number.
        page: Which page of a paper.
    """

    title: str
    words: str
    place: str
    page: int = 1


_PLAIN, _HINGED = "demo/HLB-0107-r1", "demo/HLB-0108-r1"
_PARTS = {
    "A set": (
        "labkit demo --out demo",
        (
            Look("The rods", "Each bears its length on the inward face.",
                 f"{_PLAIN}/pictures/set.png"),
            Look("Left and right differ", "The rods of the hinged case bear L and R.",
                 f"{_HINGED}/pictures/set.png"),
        ),
    ),
    "Its papers": (
        "labkit papers demo/HLB-0108-r1",
        (
            Look("Case sheet", "For the dentist: the range, every step, what is an average.",
                 f"{_HINGED}/documents/case-sheet.pdf"),
            Look("How to fit", "The same paper, further on.",
                 f"{_HINGED}/documents/case-sheet.pdf", 2),
            Look("Wearer's page", "In large print.", f"{_HINGED}/documents/wearers-page.pdf"),
            Look("Build sheet", "For the technician.", f"{_HINGED}/documents/build-sheet.pdf"),
            Look("Rod drawing", "With the table of lengths.",
                 f"{_HINGED}/documents/rod-drawing.pdf"),
            Look("Inspection form", "For quality assurance, on paper; a table lies beside it.",
                 f"{_HINGED}/documents/inspection-form.pdf"),
            Look("Bag labels", "One for each rod.", f"{_HINGED}/documents/bag-labels.pdf"),
        ),
    ),
    "Released": (
        "labkit release HLB-0107 --by kim --out .",
        (Look("Certificate", "What was measured, with which instrument, and the decision.",
              "quality/HLB-0107-r1-certificate-*.pdf"),),
    ),
    "The process": (
        "labkit capability --file deviations.csv --subgroup lot --lower -0.1 --upper 0.1 "
        "--report capability",
        (Look("Capability", "What the process can do.", "quality/capability/capability.pdf"),),
    ),
    "Is it steady?": (
        "labkit chart --file deviations.csv --report chart",
        (Look("Chart", "In the order of making.", "quality/chart/chart.pdf"),),
    ),
    "The gauge": (
        "labkit gauge-study gauge-study.csv --tolerance 0.1 --report gauge-study",
        (Look("Gauge study", "How much of a reading is the gauge.",
              "quality/gauge-study/gauge-study.pdf"),),
    ),
    "From coupons to a process": (
        "labkit calibrate coupons.csv --process example-resin --name resin-march …",
        (Look("Calibration", "Lengths as built and as measured.",
              "quality/calibration/calibration.pdf"),),
    ),
}


def write_gallery(examples: Path) -> None:
    """Write README.md and a picture of each paper into the folder of the examples."""
    (examples / "pages").mkdir()
    lines = [
        "# What it looks like",
        "",
        "Everything here is invented, and written by the program itself. Each picture follows the",
        "command that made it.",
    ]
    for heading, (command, looks) in _PARTS.items():
        lines += ["", f"## {heading}", "", "```sh", command, "```"]
        for look in looks:
            (made,) = examples.glob(look.place)
            shown = made if made.suffix == ".png" else _picture(made, look, examples)
            link, picture = (each.relative_to(examples).as_posix() for each in (made, shown))
            lines += ["", f"**{look.title}.** {look.words}", ""]
            lines += [f"[![{look.title}]({picture})]({link})"]
    (examples / "README.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _picture(paper: Path, look: Look, examples: Path) -> Path:
    """Draw a page of a paper; give the picture's place."""
    shown = examples / "pages" / f"{look.title.lower().replace(' ', '-').replace(chr(39), '')}.png"
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "paper.pdf").write_bytes(paper.read_bytes())
        layout = Path(folder) / "page.typ"
        layout.write_text(_PAGE.format(look.page), encoding="utf-8")
        drawn = typst.compile(str(layout), format="png", ppi=_PPI)
    Image.open(io.BytesIO(drawn)).convert("RGB").quantize(_COLOURS).save(shown, optimize=True)
    return shown
