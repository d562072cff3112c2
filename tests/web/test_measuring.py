"""Measuring in the browser: judged at once, recorded as the command records it, nothing lost."""

from __future__ import annotations

import copy
import re
import shutil
from urllib.parse import quote

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.ledger.events import Kind
from labkit.ledger.store import look_into
from labkit.web.rights import Role
from labkit.web.workplace import OwnFiles
from labkit.workflow.inspection.entry import MOST
from tests.support.measuring import ADDRESS, CASE, fields, own, send, to_measure
from tests.support.workplaces import NOW, client_of, workplace
from tests.web.test_pages import HOSTILE, words

JUDGED = ADDRESS.replace("/measure/", "/measure-judged/")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A made set that nobody measured; the tests copy its ledger."""
    return to_measure(tmp_path_factory.mktemp("measuring"))


@pytest.fixture
def bench(made, tmp_path):
    """A browser at a copy of it, the copy, and the form filled in."""
    place, form = made
    ledger = shutil.copyfile(place.ledger, tmp_path / "ledger.sqlite")
    return client_of(workplace(ledger)), ledger, copy.deepcopy(form)


def bodies(ledger):
    with look_into(str(ledger)) as reader:
        return [event.body for event in reader.current(CASE, Kind.READING)]


def decision(page, rod):
    """What a page says of a rod."""
    return re.search(rf'<div class="decision" id="d-{rod}".*?</div>', page.text, re.S)[0]


def with_commas(sent):
    return {
        name: [each.replace(".", ",") for each in value] if name.endswith("reading") else value
        for name, value in sent.items()
    }


def test_a_page_records_what_the_command_records_of_the_form(bench, tmp_path, monkeypatch):
    browser, ledger, form = bench
    monkeypatch.setattr("labkit.cli.clock.now", lambda: NOW)
    form.set(3, remark="a scratch beside the label")
    form.set(4, look="not smooth", fittings="no")
    form.every(material_lot="B-17", temperature_c="21.5")
    other = shutil.copyfile(ledger, tmp_path / "other.sqlite")
    file = tmp_path / "readings.csv"
    file.write_bytes(form.raw())
    told = CliRunner().invoke(
        cli, ["inspect", CASE, str(file), "--by", "anna", "--ledger", str(other)]
    )
    assert told.exit_code == 0, told.output
    sent = with_commas(fields(form, material_lot="B-17", temperature_c="21,5"))
    answer = send(browser, sent)
    assert answer.status_code == 303, words(answer)
    by_page, by_command = bodies(ledger), bodies(other)
    for body in by_command:
        assert body["details"].pop("source")["file"] == "readings.csv"
    for body in by_page:
        assert body["details"].pop("source") is None
    assert len(by_page) == 10
    assert by_page == by_command
    assert "Recorded: 10 rods." in browser.get(answer.headers["location"]).text


def test_every_rod_is_judged_while_the_rest_is_typed(bench):
    browser, ledger, form = bench
    before = ledger.read_bytes()
    sent = fields(form)
    rods = sent.pop("rod")
    first = {key: value for key, value in sent.items() if key.startswith((rods[0], "way"))}
    page = send(browser, {**first, "rod": rods[:1]}, JUDGED)
    assert 'class="result good">Conforms</b>' in decision(page, rods[0])
    assert "35.9 measures 35.9" in decision(page, rods[0])
    assert "<p>" not in decision(page, rods[1])
    assert "1 of 10 rods measured" in words(page)
    shifted = {**first, "rod": rods[:1], f"{rods[0]} reading": ["38.60", "38.61"]}
    page = send(browser, shifted, JUDGED)
    assert 'class="result bad">Does not conform</b>' in decision(page, rods[0])
    assert ledger.read_bytes() == before


def test_the_label_is_not_shown_before_it_is_read(bench):
    browser, _, form = bench
    page = browser.get(ADDRESS)
    assert form.rows[0]["label"] not in words(page)
    assert page.text.count('class="measured ') == 10


def test_a_mix_up_is_told_at_both_rods(bench):
    browser, _, form = bench
    sent = fields(form)
    one, other = sent["rod"][0], sent["rod"][2]
    for name in ("reading", "label_read"):
        mixed = (sent[f"{other} {name}"], sent[f"{one} {name}"])
        sent[f"{one} {name}"], sent[f"{other} {name}"] = mixed
    page = send(browser, sent, JUDGED)
    for rod in (one, other):
        assert "bears the label of" in decision(page, rod)
        assert 'data-looks="bad"' in decision(page, rod)
    assert "bears the label of" not in decision(page, sent["rod"][4])


@pytest.mark.parametrize(
    ("readings", "sentence"),
    [
        (["3.84"], "ten times too small"),
        (["36.0x"], "has a unit or a word after the number"),
        (["", "36.08"], "Reading 1: is empty, but a later reading is not"),
        (["36.50"] * (MOST + 1), f"Readings: a rod has at most {MOST}, and {MOST + 1} were typed"),
        (["37.5"], "mm off; look at the instrument and the rod again; where it is really so, "
                   'tick "really so"'),
    ],
)
def test_what_cannot_be_read_is_asked_about_and_nothing_is_lost(bench, readings, sentence):
    browser, ledger, form = bench
    before = ledger.read_bytes()
    sent = fields(form, material_lot="<b>B-17")
    rod = sent["rod"][0]
    sent[f"{rod} reading"], sent[f"{rod} remark"] = readings, '"><script>'
    assert sentence in words(send(browser, sent, JUDGED)).replace("&#34;", '"')
    answer = send(browser, sent)
    told = words(answer).replace("&#34;", '"')
    assert answer.status_code == 422
    assert sentence in told
    for reading in (*filter(None, readings), *sent[f"{sent['rod'][5]} reading"]):
        assert f'reading" value="{reading}"' in answer.text
    assert 'value="&lt;b&gt;B-17"' in answer.text
    assert 'value="&#34;&gt;&lt;script&gt;"' in answer.text
    assert ledger.read_bytes() == before


def test_readings_far_off_are_taken_where_they_are_really_so(bench):
    browser, ledger, form = bench
    sent = fields(form)
    rod = sent["rod"][0]
    sent[f"{rod} reading"] = ["37.5"]
    asked = decision(send(browser, sent, JUDGED), rod)
    assert f'name="{rod} really"' in asked
    sent[f"{rod} really"] = "1"
    assert "Does not conform" in decision(send(browser, sent, JUDGED), rod)
    assert send(browser, sent).status_code == 303
    assert bodies(ledger)[0]["details"]["readings_mm"] == ["37.5"]


def test_a_rod_is_measured_again_only_with_a_reason(bench):
    browser, ledger, form = bench
    sent = fields(form)
    assert send(browser, sent).status_code == 303
    assert "measured by anna" in words(browser.get(ADDRESS))
    answer = send(browser, sent)
    assert answer.status_code == 409
    assert "Already measured:" in words(answer)
    assert f'reading" value="{sent[sent["rod"][0] + " reading"][0]}"' in answer.text
    assert send(browser, {**sent, "again": "gauge cleaned"}).status_code == 303
    assert {body["note"] for body in bodies(ledger)} == {"measured again: gauge cleaned"}


def test_what_is_wrong_for_all_rods_is_told_once(bench):
    browser, _, form = bench
    page = send(browser, fields(form, temperature_c="900", way="sideways"), JUDGED)
    assert words(page).count("is not known") == 1
    page = send(browser, fields(form, temperature_c="900"), JUDGED)
    assert words(page).count("Temperature: 900 is out of bounds") == 1


def test_nothing_typed_is_told(bench):
    browser, _, form = bench
    answer = send(browser, {"way": "over", "rod": fields(form)["rod"]})
    assert answer.status_code == 422
    assert "nothing is typed yet" in words(answer).casefold()


def test_a_rod_of_another_set_stays_typed_and_is_told(bench):
    browser, _, form = bench
    sent = fields(form)
    sent["rod"] = [*sent["rod"], "48294829173065"]
    sent["48294829173065 reading"] = ["36.1"]
    answer = send(browser, sent)
    assert answer.status_code == 422
    assert "is not in the record" in words(answer)
    assert 'name="48294829173065 reading" value="36.1"' in answer.text


def test_a_bag_leads_to_its_set(bench):
    browser, _, form = bench
    rod = fields(form)["rod"][0]
    there = browser.get("/measure", params={"identifier": grouped(rod)}, follow_redirects=False)
    assert there.headers["location"] == f"{ADDRESS}?set={CASE}-r1#rod-{rod}"
    assert browser.get("/measure?identifier=123").status_code == 404
    assert "Go to its set" in browser.get("/measure").text
    asked = {"identifier": rod, "case": CASE, "of": f"{CASE}-r1"}
    assert f"The rod {grouped(rod)}" in words(browser.get("/measure", params=asked))
    unknown = browser.get("/measure", params={**asked, "identifier": "<b>12"})
    assert (unknown.status_code, "is not a rod identifier" in unknown.text) == (200, True)
    assert "<b>" not in unknown.text


def test_a_lab_s_own_instrument_is_named_in_the_record(bench, tmp_path):
    _, ledger, form = bench
    place = client_of(workplace(ledger, own=OwnFiles(instruments=own(tmp_path))))
    sent = fields(form, instrument="micrometer-7", gauge_pins="pins-2")
    assert "micrometer-7, due 2032-09-30" in words(place.get(ADDRESS))
    assert send(place, sent).status_code == 303
    assert bodies(ledger)[0]["details"]["instrument"]["name"] == "micrometer-7"


def test_a_dentist_does_not_measure(bench):
    browser, *_ = bench
    visits = browser.app.state.visits
    secret, visit = visits.begin(NOW, "dora", Role.DENTIST)
    browser.cookies.set("labkit", secret)
    assert browser.get(ADDRESS).status_code == 403
    assert browser.post(ADDRESS, data={"token": visit.token}).status_code == 403


@pytest.mark.slow
@pytest.mark.parametrize("text", HOSTILE, ids=ascii)
def test_nothing_typed_breaks_a_page_or_changes_the_record(bench, text):
    browser, ledger, form = bench
    before, typed, rod = ledger.read_bytes(), quote(text, safe=""), form.identifiers()[0]
    for path in (
        f"/measure/{typed}", f"{ADDRESS}?set={typed}", f"/measure?identifier={typed}",
        f"/measure?identifier={typed}&case={CASE}&of={typed}", f"/inspection/{typed}",
        f"/inspection/{CASE}?set={typed}", f"/certificate/{CASE}?entry={typed}&set={typed}",
        *(f"/process/look?{name}={typed}" for name in ("lot", "since", "look", "subgroup")),
    ):
        assert browser.get(path).status_code < 500, path
    sent = {"set": text, "rod": [rod, text], f"{rod} reading": [text], "way": text}
    own = ("label_read", "fittings", "look", "result", "remark")
    sent |= {f"{rod} {name}": text for name in own} | {"temperature_c": text, "again": text}
    assert send(browser, sent, JUDGED).status_code in (200, 403, 422)
    names = ("cause", "note", "reason", "prescriber", "entries", "answer", "lot", "rod", "set")
    sent |= dict.fromkeys(names, text)
    for act in ("measure", "reject", "use-as-is", "release", "scan"):
        answer = send(browser, sent, f"/{act}/{CASE}")
        assert answer.status_code in (403, 404, 409, 422), (act, answer.status_code)
    assert ledger.read_bytes() == before
