"""The content of spacer-set.json for tests of documents, without building a solid."""

from __future__ import annotations

import json
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.places import templates_dir
from labkit.catalog.processes import find_process, processes
from labkit.catalog.profiles import Profile, default_profile
from labkit.catalog.rods import rod_templates
from labkit.core.label.layout import lay_out
from labkit.core.rod.parts import parts_of
from labkit.documents.set_spec import PartFiles
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.job import Job, Means, Ticket
from labkit.workflow.sets.spec import inputs_sha256, set_spec
from tests.support.prescriptions import ANCHORED, SMALLEST, changed, hinged, source

HOSTILE = (
    "#strong[x] *bold* _it_ $x^2$ {case} {page} \" ' `raw` @ref <label> \\ // /* = - + 1. "
    "<b>&amp;</b>\nשלום עולם العربية 中文 日本語 한국어 🙂 end"
)


def sample_spec(text: str = SMALLEST, profile: Profile | None = None) -> dict[str, Any]:
    """Make the content of spacer-set.json from the text of a prescription.

    Args:
        text: Prescription.
        profile: The lab's profile, none for the default one.

    Returns:
        The object as it would be read from the file; plates are left empty.
    """
    case = open_case(source(text), rod_templates(()))
    assert case.refusals == (), case.refusals
    process = find_process(processes(()), "example-resin")
    lab = profile or default_profile()
    means = Means(process, load_lettering(), lab)
    planned = tuple(
        (part, lay_out(means.lettering, r.engraving, r.bar, r.template.label.height_mm))
        for part in parts_of(case.spacer_set, case.template)
        for r in (part.rod,)
    )
    job = Job(case, means, planned, inputs_sha256(case, process, means.lettering))
    ticket = Ticket(job.inputs_sha256, 1)
    files = {
        part.rod.part: PartFiles(f"step/{part.rod.part}.step", f"stl/{part.rod.part}.stl")
        for part, _ in planned
    }
    spec = set_spec(job, ticket, files, ())
    content: dict[str, Any] = json.loads(json.dumps(spec.content()))
    return content


def six_steps() -> str:
    """Six steps, both sides alike."""
    return changed(SMALLEST, ("[50, 62.5, 75, 87.5, 100]", "[50, 60, 70, 80, 90, 100]"),
                   ("start = 62.5", "start = 60"))


def fourteen_steps() -> str:
    """Fourteen steps with a 40-character case number."""
    return changed(
        SMALLEST,
        ("percent = [50, 62.5, 75, 87.5, 100]", "first = 35\nlast = 100\nstep = 5"),
        ("start = 62.5", "start = 60"),
        ('"QF-1043"', f'"{"WMQ8" * 10}"'),
    )


def demo(name: str) -> str:
    """One of the demonstration cases."""
    path = templates_dir() / "prescriptions" / f"demo-{name}.toml"
    return path.read_text("utf-8")


def unequal_hinged() -> str:
    """Hinged with averages, left unlike right, a note and a recorded opening."""
    text = changed(
        hinged(),
        ("lower = [-33, -29, -7]", "lower = [-34.1, -29.6, -7.4]"),
        ("date = 2031-03-14", 'date = 2031-03-14\nprescriber = "Dr. A. Example"\n'
                              'notes = "Lower midline drifts to the left."'),
        ("midline_deviation = 1.0", "midline_deviation = 1.0\nvertical_opening = 5.5"),
    )
    assert ANCHORED.count("[jaw]") == 1
    return text


def hostile() -> str:
    """A note and a prescriber full of markup, other scripts and code points."""
    note = json.dumps(HOSTILE, ensure_ascii=False)
    return changed(
        six_steps(),
        ("date = 2031-03-14", f"date = 2031-03-14\nprescriber = '#emph[x] $y$'\nnotes = {note}"),
        ('"QF-1043"', '"#a*b_c$d{e}"'),
    )
