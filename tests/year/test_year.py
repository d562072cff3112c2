"""A year in the life of one case: after each event everything the house says of it agrees."""

from __future__ import annotations

import pytest

from tests.year.account import PERCENTS, START
from tests.year.agree import (
    disagreements,
    disagreements_of_labels,
    disagreements_of_tables,
)
from tests.year.lab import Lab


def look(lab: Lab, event: str) -> None:
    """Read everything: what does not agree with the account is a fault."""
    lab.faults += [f"after {event}: {fault}" for fault in _faults(lab)]


def no_faults(lab: Lab) -> None:
    """All that was read in the year was so."""
    assert not lab.faults, "\n".join(lab.faults)


def _faults(lab):
    now = lab.account.now()
    yield from disagreements_of_tables(now, lab)
    for said in lab.read_all():
        yield from disagreements(now, said)
        if said.source.endswith("bag-labels.pdf"):
            yield from disagreements_of_labels(now, said)


def look_at_answer(lab: Lab, maximum: float) -> None:
    """Read what a trial fit would mean; until it is accepted, nothing has changed."""
    then, said = lab.trial(maximum)
    lab.faults += [*disagreements(then, said), *disagreements_of_tables(lab.account.now(), lab)]
    assert "Nothing has changed" in said.whole
    for pair in then.pairs:
        assert f"{pair.percent:.1f}" in said.whole, pair


#: Every paper after every event, in each model: pytest -m slow tests/year
YEARS = [
    pytest.param("hinged", "push", True, id="hinged-push-sparing"),
    *(
        pytest.param(model, action, False, marks=pytest.mark.slow, id=f"{model}-{action}")
        for model in ("straight", "sliding", "hinged") for action in ("pull", "push")
    ),
]


@pytest.mark.parametrize(("model", "action", "sparing"), YEARS)
def test_a_year(tmp_path, monkeypatch, model, action, sparing):
    lab = Lab(tmp_path, model, action, monkeypatch)
    lab.sparing = sparing
    first = f"{lab.case}-r1"
    lab.make(PERCENTS, START, first)
    look(lab, "the first set was made")
    lab.later(2)
    lab.inspect_and_release(first)
    look(lab, "it was released")
    lab.later(5)
    lab.deliver(first)
    look(lab, "it was delivered")
    lab.later(10)
    *_, almost, furthest = lab.account.pairs()
    look_at_answer(lab, almost.advancement_mm - 0.05)
    lab.accept()
    look(lab, "the trial fit was accepted")
    lab.later(30)
    lost = lab.rod(first, 2, "left")
    lab.became("lost", lost)
    look(lab, "a rod was lost")
    lab.later(2)
    lab.replace(lost)
    look(lab, "it was made once more")
    lab.later(60)
    lab.extra(62)
    look(lab, "a step in between was made")
    lab.later(5)
    lab.became("returned", *furthest.rods)
    look(lab, "rods beyond the maximum came back")
    lab.later(20)
    lab.withdraw()
    look(lab, "the trial fit was withdrawn")
    lab.later(100)
    lab.next_set([73, 81], 73)
    look(lab, "a second set was made")
    no_faults(lab)


@pytest.mark.parametrize(("model", "action", "sparing"), [
    pytest.param("straight", "pull", True, id="straight-pull-sparing"), *YEARS[1:],
])
def test_a_second_set_in_place_of_the_first(tmp_path, monkeypatch, model, action, sparing):
    """Made for another range, delivered; the first is asked back, then that range falls too."""
    lab = Lab(tmp_path, model, action, monkeypatch)
    lab.sparing = sparing
    first = f"{lab.case}-r1"
    lab.make(PERCENTS, START, first)
    look(lab, "the first set was made")
    lab.inspect_and_release(first)
    lab.deliver(first)
    lab.later(10)
    *_, almost, _ = lab.account.pairs()
    lab.trial(almost.advancement_mm - 0.05)
    lab.accept()
    lab.later(3)
    second = lab.next_set([62, 85], 62)
    look(lab, "a second set was made for the shorter range")
    lab.later(1)
    lab.inspect_and_release(second)
    lab.deliver(second)
    look(lab, "it was delivered beside the first")
    lab.later(4)
    lab.became("returned", *(rod for rod in lab.account.rods.values() if rod.set_name == first))
    look(lab, "the first set came back")
    lab.later(20)
    lab.withdraw()
    look(lab, "the range that the second set was made for does not hold any more")
    no_faults(lab)
