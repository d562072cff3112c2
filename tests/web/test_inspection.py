"""From readings to release in the browser: dispositions, the second person, the certificate."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace

import pytest

from labkit.ledger.events import Kind
from labkit.ledger.store import look_into
from labkit.web.jobs.job import What, find
from tests.support.measuring import fields, to_release
from tests.support.workplaces import CASE, SET, client_of, token_in
from tests.web.test_pages import words

PAGE = f"/inspection/{CASE}"


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """The example set, of which quinn measured every rod; one is 0.2 mm too long."""
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.mktemp("inspection")
        place, form = to_release(folder, patch)
    sent = fields(form, instrument="micrometer-7", gauge_pins="pins-2", material_lot="B-17")
    good = sent[f"{sent['rod'][0]} reading"]
    for name, off in (("good", 0.0), ("long", 0.2)):
        sent[f"{sent['rod'][0]} reading"] = [f"{float(text) + off:.2f}" for text in good]
        ledger = shutil.copyfile(place.ledger, folder / f"{name}.sqlite")
        quinn = client_of(replace(place, ledger=str(ledger)), "quinn")
        answer = send(quinn, f"/measure/{CASE}", sent)
        assert answer.status_code == 303, words(answer)
    return place, sent["rod"]


@pytest.fixture
def bench(recorded, tmp_path):
    """Give a browser for a name on a copy of one of the two records."""
    place, rods = recorded

    def open_as(by, which="good"):
        ledger = tmp_path / f"{which}.sqlite"
        if not ledger.exists():
            shutil.copyfile(f"{place.sets.parent}/{which}.sqlite", ledger)
        return client_of(replace(place, ledger=str(ledger), sets=tmp_path / "sets"), by)

    return open_as, rods


def send(client, address, sent):
    token = token_in(client.get(PAGE))
    return client.post(address, data={"token": token, **sent}, follow_redirects=False)


def last(client, kind):
    with look_into(client.app.state.workplace.ledger) as reader:
        return reader.current(CASE, kind)[-1].body


def test_the_second_person_releases_and_the_certificate_is_the_record_s(bench, recorded):
    open_as, _ = bench
    quinn, kim = open_as("quinn"), open_as("kim")
    refused = send(quinn, f"/release/{CASE}", {"set": SET, "note": "as agreed"})
    assert refused.status_code == 409
    assert "Quinn measured 10 rods of the set" in words(refused)
    assert 'value="as agreed"' in refused.text
    page = kim.get(PAGE)
    assert "Set HLB-0107-r1: conforms" in words(page)
    assert "Not yet:" not in words(page)
    assert send(kim, f"/release/{CASE}", {"set": SET, "note": "as agreed"}).status_code == 303
    page = kim.get(PAGE)
    assert "was released by kim" in words(page)
    link = re.search(r'href="(/certificate/[^"]+)"', page.text)[1].replace("&amp;", "&")
    paper = kim.get(link)
    name = paper.headers["content-disposition"].rpartition("'")[2]
    assert paper.content == (recorded[0].sets / name).read_bytes()
    assert "Release the set" not in page.text


def test_what_is_missing_is_told_before_anyone_asks(bench):
    open_as, _ = bench
    page = open_as("kim", "long").get(PAGE)
    assert "Not yet:" in words(page)
    assert "does not conform, held" in words(page)


def test_a_rod_is_rejected_with_its_cause(bench):
    open_as, rods = bench
    kim = open_as("kim", "long")
    sent = {"set": SET, "rod": rods[:1], "note": "0.2 mm too long"}
    refused = send(kim, f"/reject/{CASE}", sent)
    assert (refused.status_code, "say why" in words(refused).casefold()) == (422, True)
    assert f'value="{rods[0]}" checked' in refused.text
    assert send(kim, f"/reject/{CASE}", {**sent, "cause": "other", "note": ""}).status_code == 422
    assert send(kim, f"/reject/{CASE}", {"cause": "length"}).status_code == 422
    assert send(kim, f"/reject/{CASE}", {**sent, "cause": "length"}).status_code == 303
    told = last(kim, Kind.ROD_STATE)
    assert (told["identifier"], told["state"], told["cause"]) == (rods[0], "rejected", "length")
    assert "is rejected; nothing takes its place yet" in words(kim.get(PAGE))


def test_a_rod_of_another_case_is_not_rejected_here(bench):
    open_as, rods = bench
    kim = open_as("kim", "long")
    sent = {"rod": rods[:1], "cause": "length"}
    token = token_in(kim.get(PAGE))
    answer = kim.post("/reject/QF-1", data={"token": token, **sent})
    assert answer.status_code in (404, 422)
    with look_into(kim.app.state.workplace.ledger) as reader:
        assert reader.find(rods[0]).state == "made"


def test_rods_are_made_once_more_in_the_background(bench, still):
    open_as, rods = bench
    kim = open_as("kim", "long")
    sent = {"set": SET, "rod": rods[:1], "cause": "length", "anew": "1"}
    name = send(kim, f"/reject/{CASE}", sent).headers["location"].rpartition("/")[2]
    order = find(kim.app.state.workplace, name).order
    assert (order.what, order.by, still[0][-1]) == (What.ANEW, "kim", name)
    assert order.asked["rods"] == rods[0]


def test_a_rod_is_used_as_is_by_the_prescriber_s_word(bench):
    open_as, rods = bench
    quinn, kim = open_as("quinn", "long"), open_as("kim", "long")
    sent = {"set": SET, "rod": rods[0], "reason": "the wearer leaves tomorrow"}
    refused = send(kim, f"/use-as-is/{CASE}", sent)
    assert refused.status_code == 422
    sent["prescriber"] = "Dr Lind, by telephone: as good"
    refused = send(quinn, f"/use-as-is/{CASE}", sent)
    assert refused.status_code == 409
    assert 'value="Dr Lind, by telephone: as good"' in refused.text
    assert send(kim, f"/use-as-is/{CASE}", sent).status_code == 303
    assert last(kim, Kind.USE_AS_IS)["prescriber"] == "Dr Lind, by telephone: as good"
    assert "is used as is" in words(kim.get(PAGE))
    back = {"set": SET, "rod": rods[0], "reason": "said of another rod", "back": "1"}
    assert send(kim, f"/use-as-is/{CASE}", back).status_code == 303
    assert "is used as is" not in words(kim.get(PAGE))


@pytest.mark.slow
def test_a_set_is_withheld_and_released_only_with_what_was_done(bench):
    open_as, _ = bench
    kim = open_as("kim")
    assert send(kim, f"/withhold/{CASE}", {"set": SET, "reason": ""}).status_code == 422
    why = {"set": SET, "reason": "the lot is recalled"}
    assert send(kim, f"/withhold/{CASE}", why).status_code == 303
    assert "the lot is recalled" in words(kim.get(PAGE))
    assert kim.get(f"/certificate/{CASE}").status_code == 409
    refused = send(kim, f"/release/{CASE}", {"set": SET})
    assert (refused.status_code, "what was done about it" in words(refused)) == (409, True)


@pytest.mark.slow
def test_remarks_are_answered_by_another_person(bench):
    open_as, rods = bench
    quinn, kim = open_as("quinn"), open_as("kim")
    sent = {"set": SET, "way": "over", "rod": rods[:1], f"{rods[0]} remark": "a scratch",
            f"{rods[0]} fittings": "yes", "again": "looked at once more"}
    assert send(quinn, f"/measure/{CASE}", sent).status_code == 303
    page = kim.get(PAGE)
    entries = re.search(r'name="entries" value="([\d ]+)"', page.text)[1]
    answered = {"set": SET, "entries": entries, "answer": "polished away"}
    assert send(kim, f"/release/{CASE}", {"set": SET}).status_code == 409
    assert "was released by kim" in words(send(kim, f"/release/{CASE}", answered))
    remarks = str(last(kim, Kind.RELEASE)["basis"])
    assert "polished away" in remarks
