"""Recorded sets without a solid: everything that `labkit make` records, and the spec it writes."""

from __future__ import annotations

import json
from pathlib import Path

from labkit.documents.set_spec import PartFiles
from labkit.ledger.events import Kind
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.job import Job
from labkit.workflow.sets.make import job_of
from labkit.workflow.sets.spec import set_spec
from tests.support.making import INSTALLED, MEANS
from tests.support.prescriptions import source

#: Where nothing is ever written.
PLACE = Path("sets")


def started(recorder, job: Job, asked: str = ""):
    """Reserve a set as the commands do; give the content of its spacer-set.json."""
    steps = job.case.spacer_set.steps
    ticket = recorder.start(job, PLACE, 0, (asked,) * len(steps) if asked else ())
    stem = f"{job.number}-r{ticket.revision}"
    names = [part.rod.part for part, _ in job.planned]
    files = {
        name: PartFiles(f"step/{stem}_{name}.step", f"stl/{stem}_{name}.stl") for name in names
    }
    return json.loads(json.dumps(set_spec(job, ticket, files, ()).content()))


def finished(recorder, spec):
    """Record that a set was made; give its spec."""
    name = f"{spec['case']}-r{spec['revision']}"
    body = {"set": name, "folder": f"sets/{name}", "sums_sha256": "cd" * 32, "spec": spec}
    recorder.ledger.record(Kind.SET_MADE, spec["case"], body, recorder.by, recorder.now())
    return spec


def first_set(recorder, text: str):
    """Record the first set of a prescription's text as made; give its spec."""
    case = open_case(source(text), dict(INSTALLED.templates))
    return finished(recorder, started(recorder, job_of(case, MEANS)))
