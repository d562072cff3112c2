"""Recorded sets for the tests, made in process."""

from __future__ import annotations

import datetime
from contextlib import contextmanager
from decimal import Decimal

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import processes
from labkit.catalog.profiles import default_profile
from labkit.catalog.rods import rod_templates
from labkit.core.case.extra_requests import ByPercent
from labkit.ledger.store import open_ledger
from labkit.workflow.record.recorder import Recorder
from labkit.workflow.rods.extra import ExtraOrder, Installed, make_extra
from labkit.workflow.rods.replace import ReplacementOrder, make_replacement
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.job import Means, Wishes
from labkit.workflow.sets.make import make_set
from tests.support.prescriptions import SMALLEST, changed, source

CASE = "QF-1043"
ONE = changed(SMALLEST, ("percent = [50, 62.5, 75, 87.5, 100]\nstart = 62.5", "percent = [50]"))
INSTALLED = Installed(rod_templates(), processes(), load_lettering())
MEANS = Means(INSTALLED.processes["nominal"], INSTALLED.lettering, default_profile())
START = datetime.datetime(2031, 3, 14, 9, 0, tzinfo=datetime.UTC)


def still(_):
    """Take no notice of progress."""


@contextmanager
def recorder_for(url, by="anna", say=still):
    """Open a ledger to record in, with a clock that stands still, or goes with the record."""
    with open_ledger(str(url)) as ledger:
        yield Recorder(ledger, by, lambda: clock_of(ledger), say)


def clock_of(ledger):
    """Give the moment of the last entry, at least `START`."""
    last = ledger.event(ledger.head().count)
    return max(START, datetime.datetime.fromisoformat(last.at)) if last else START


def make(text, out, recorder, templates=None, *, take_back=True, copy=False, means=MEANS):
    """Make a recorded set of a prescription's text; rods that could be mistaken are taken back."""
    case = open_case(source(text), templates or dict(INSTALLED.templates))
    return make_set(case, means, out, still, recorder, Wishes(take_back, copy))


def extra(out, recorder, *requests, installed=INSTALLED, case=CASE, **as_stored):
    """Make extra rods; a plain number is a percentage."""
    wanted = tuple(
        ByPercent(Decimal(str(each))) if isinstance(each, (int, float)) else each
        for each in requests
    )
    return make_extra(ExtraOrder(case, wanted, **as_stored), installed, out, still, recorder)


def identifiers_in(spec):
    """Collect the identifiers of a set as its spec has them."""
    return {
        (use["step"], use["side"]): use["identifier"]
        for part in spec["parts"]
        for use in part["uses"]
    }


def again(
    out, recorder, *identifiers, reason="too long", because=None, lettering=INSTALLED.lettering
):
    """Reject rods, or say what else became of them, and make them once more."""
    order = ReplacementOrder(tuple(identifiers), reason, because)
    return make_replacement(order, (lettering, None), out, still, recorder)


def rod_at(recorder, set_name, step, side):
    """Find the rod of one place of one set."""
    rods = recorder.ledger.rods_of_set(set_name)
    (found,) = (rod for rod in rods if (rod.step, rod.side) == (step, side))
    return found
