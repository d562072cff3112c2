"""A lab that lists its people: codes that nobody of them has do nothing."""

from __future__ import annotations

import json

import pytest

from labkit.catalog.profiles import Profile, default_profile, profile_json, profile_of
from labkit.cli.sets.profile import open_profile
from labkit.core.people import Person
from labkit.errors import InputError, RefusedError
from labkit.workflow.inspection.inspect import decision_from_record, record_readings
from tests.support.making import CASE
from tests.support.measured import measure_all, record_reading
from tests.workflow.test_release import WHEN, let_go, place, refused
from tests.workflow.test_use_as_is import WORDS, use_as_is

PEOPLE = (Person("Mo", "Mo Berg", releases=False), Person("kim", "Kim Vale"))
LAB = {"people": PEOPLE}
UNKNOWN = (
    "quinny is not a code in the lab's profile, which lists Mo, kim; give one "
    "of these codes, or add the person to the profile ([[people]]); nothing was recorded"
)


def test_only_who_may_release_does(recorded, out):
    measure_all(recorded, CASE)
    assert refused(recorded, out, asked=LAB, by="quinny") == [UNKNOWN]
    assert refused(recorded, out, asked={**LAB, "one_person": True}, by="mo") == [
        "mo may not release a set by the lab's profile; let kim release it, or change the profile "
        "([[people]], releases); nothing was recorded"
    ]
    let_go(recorded, out, asked=LAB, by="Kim")


@pytest.mark.parametrize("hand", ["by", "measured_by", "checked_by"])
def test_only_people_of_the_lab_measure(recorded, hand):
    place_one, _ = place(recorded, 1, "left")
    hands = {"measured_by": "mo", "checked_by": "kim"}
    record_reading(recorded, place_one, **(hands | {hand: "quinny"} if hand != "by" else hands))
    inspection = decision_from_record(recorded.ledger, CASE)
    (rod,) = inspection.decision.rods
    head, stamp = recorded.ledger.head(), ("quinny" if hand == "by" else "mo", WHEN)
    with pytest.raises(RefusedError) as caught:
        record_readings(recorded.ledger, inspection, [rod], stamp, "again", Profile(**LAB))
    assert str(caught.value) == UNKNOWN
    assert recorded.ledger.head() == head
    assert record_readings(recorded.ledger, inspection, [rod], stamp, "again")  # no list, no rule


def test_only_people_of_the_lab_accept_a_rod_as_it_is(recorded):
    rod, _ = place(recorded, 1, "left")
    record_reading(recorded, rod, "0.20")
    measure_all(recorded, CASE)
    with pytest.raises(RefusedError, match="quinny is not a code in"):
        use_as_is(recorded.ledger, rod.identifier, WORDS, ("quinny", WHEN), Profile(**LAB))
    assert use_as_is(recorded.ledger, rod.identifier, WORDS, ("kim", WHEN), Profile(**LAB))


def test_a_lab_asks_for_more_and_lists_its_people(tmp_path):
    path = tmp_path / "profile.toml"
    path.write_text("""schema = 1
use_before_asked = true
temperature_asked = true
[[people]]
code = "kim"
name = "Kim Vale"
[[people]]
code = "mo"
releases = false
""", "utf-8")
    kept = profile_of({"profile": json.loads(json.dumps(profile_json(open_profile(str(path)))))})
    assert kept.use_before_asked
    assert kept.temperature_asked
    assert kept.people == (Person("kim", "Kim Vale"), Person("mo", releases=False))
    own = ("use_before_asked", "temperature_asked", "people")
    assert not profile_json(default_profile()).keys() & {*own}  # sets from before are the same
    path.write_text('schema = 1\n[[people]]\nname = "Kim Vale"\n', "utf-8")
    with pytest.raises(InputError, match=r"people\[1\]\.code is missing|code"):
        open_profile(str(path))
