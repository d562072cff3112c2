"""The trial fit in the browser: it shows what the command says, and records the same."""

from __future__ import annotations

import datetime
import html
import re
import shutil

import pytest
from click.testing import CliRunner

from labkit.cli import clock
from labkit.cli.main import cli
from labkit.ledger.events import Kind
from labkit.ledger.store import look_into, open_ledger
from labkit.web.asked_trial import is_whole, told_by
from labkit.workflow.record.standing import standing_of_case
from tests.support.ledgers import Pen
from tests.support.workplaces import CASE, NOW, PARALLEL, token_in

SHORT = {"left_seen": "too_short", "left_by": "0,8", "right_seen": "too_short", "right_by": "0.75"}
MEETS = {"left_seen": "meets", "right_seen": "meets"}


def words(page):
    """The text of a page without its marks."""
    return html.unescape(" ".join(re.sub(r"<[^>]+>", " ", page.text).split()))


def tried(browser, case=CASE):
    """The rods that the page shows as tried, left and right."""
    found = re.findall(r'value="(\d{14})" checked', browser.get(f"/trial/{case}").text)
    return dict(zip(("left", "right"), found, strict=True))


def command(ledger, monkeypatch, *arguments):
    """Give a command on a ledger at the workplace's time."""
    monkeypatch.setattr(clock, "now", lambda: NOW)
    env = {"LABKIT_LEDGER": str(ledger), "LABKIT_BY": "anna", "COLUMNS": "300"}
    result = CliRunner().invoke(cli, [*map(str, arguments)], env=env)
    assert result.exit_code == 0, result.stderr
    return result.stdout


def story(ledger, case=CASE):
    """What is recorded of a case, without the chain's own numbers."""
    with look_into(str(ledger)) as reader:
        return [(one.kind, one.body, one.by, one.corrects) for one in reader.story(case)]


def accepted(browser, asked, case=CASE, **more):
    """Look, and accept what is shown."""
    shown = browser.get(f"/trial/{case}", params=asked)
    form = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"',
                           shown.text.partition("The prescriber decides")[0]
                           .rpartition("<form")[2]))
    return browser.post(f"/trial/{case}", data={**form, **more})


def test_the_rods_of_100_percent_are_shown_first_and_to_scale(looking):
    page = looking.get(f"/trial/{CASE}")
    assert page.status_code == 200
    assert page.text.count('aria-label="Rod 28.7, one end attached') == 2
    assert len(re.findall(r'name="left" id="left-rod-\d"', page.text)) == 5
    assert "Say of both sides what you saw." in words(page)
    assert "The prescriber accepts" not in words(page)


def test_the_answer_is_the_command_s_and_nothing_is_recorded(
    looking, filled, monkeypatch, tmp_path
):
    before = filled[0].read_bytes()
    page = looking.get(f"/trial/{CASE}", params=SHORT)
    told = words(page)
    ledger = shutil.copyfile(filled[0], tmp_path / "ledger.sqlite")
    said = command(ledger, monkeypatch, "trial", CASE, "--left", "28.7 too short by 0.8",
                   "--right", "28.7 too short by 0.75")
    for sentence in said.splitlines()[1:5]:
        assert " ".join(sentence.split()) in told
    assert "The jaw went 0.77 mm less far than recorded: the range is 8.43 mm, not 9.20" in told
    assert "NOT TO BE WORN" in told
    assert "Nothing has changed yet: this is a proposal." in told
    assert "--accept" not in told
    assert 'class="was"' in page.text
    assert filled[0].read_bytes() == before


def test_what_is_accepted_and_withdrawn_is_what_the_commands_record(
    browser, ledger, tmp_path, monkeypatch
):
    other = shutil.copyfile(ledger, tmp_path / "other.sqlite")
    rods = tried(browser)
    page = accepted(browser, SHORT, note="pads touched")
    assert page.url.path == f"/cases/{CASE}"
    assert "accepted; prescription revision 2 holds" in words(page)
    assert words(page).count("Recorded as entry") == 3
    assert "Protrusive range 8.43 mm" in words(page)
    assert "NOT TO BE WORN" in words(page)
    command(other, monkeypatch, "trial", CASE, "--left", f"{rods['left']} too short by 0.8",
            "--right", f"{rods['right']} too short by 0.75", "--accept", "--note", "pads touched",
            "--date", NOW.date())
    assert story(ledger) == story(other)

    page = browser.get(f"/trial/{CASE}")
    (entry,) = re.findall(r'name="trial" value="(\d+)"', page.text)
    sent = {"token": token_in(page), "trial": entry, "reason": "rods were exchanged"}
    page = browser.post(f"/trial-withdrawn/{CASE}", data=sent)
    assert "Protrusive range 9.20 mm" in words(page)
    assert "withdrawn: rods were exchanged; prescription revision 3 holds" in words(page)
    command(other, monkeypatch, "trial", CASE, "--withdraw", entry, "--reason",
            "rods were exchanged")
    assert story(ledger) == story(other)
    assert 'name="trial" value' not in browser.get(f"/trial/{CASE}").text
    again = browser.post(f"/trial-withdrawn/{CASE}", data=sent)
    assert again.status_code == 409
    assert "was withdrawn already" in words(again)


def test_a_range_that_stays_is_told_and_accepted_without_a_revision(browser, ledger):
    told = words(browser.get(f"/trial/{CASE}", params=MEETS))
    assert "The jaw went as far as recorded" in told
    assert "on the range as it stays, 9.20 mm" in told
    assert "prescription revision 1 holds" in words(accepted(browser, MEETS))
    with look_into(str(ledger)) as reader:
        assert reader.prescription(CASE).revision == 1
        assert standing_of_case(reader, CASE).now.range_mm == pytest.approx(9.2)


def test_sides_that_disagree_are_asked_about_and_corrected_by_a_word(looking):
    asked = {**SHORT, "right_by": "2.6"}
    page = looking.get(f"/trial/{CASE}", params=asked)
    told = words(page)
    assert "Nothing follows from it." in told
    assert "Corrections to choose from, if a second look shows the same" in told
    assert "The prescriber accepts" not in told
    assert "--correct" not in told
    link = html.unescape(re.search(r'href="(/trial/[^"]+correct=right[^"]*)"', page.text)[1])
    assert "Corrected: the right distance" in words(looking.get(link))
    corrected = words(looking.get(f"/trial/{CASE}", params={**asked, "correct": "right"}))
    assert "Corrected: the right distance at the registered bite" in corrected


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"left_by": "much"}, '“By how many mm” on the left = "much" is not usable; allowed'),
        ({"left_by": "-0.8"}, "“By how many mm” on the left = -0.8 is not usable"),
        ({"left_by": "31"}, "allowed is a number in mm from 0 to 30"),
        ({"left_by": "0"}, "says by 0 mm"),
        ({"read_to": "5"}, "“Gaps are read to” = 5 is not usable; allowed is a number in mm"),
        ({"date": "soon"}, "'soon' is not a day"),
        ({"date": "2031-03-21"}, "check the day given under “Day”."),
        ({"date": "2031-03-21"}, "2031-03-21 lies in the future"),
        ({"left": "00000000000000"}, "00000000000000"),
        ({"left_seen": "eaten"}, "What was seen on the left"),
        ({"left_by": "28", "right_by": "0.8"}, "under “Where left and right disagree”"),
    ],
)
def test_a_slip_is_told_where_it_stands(looking, asked, sentence):
    page = looking.get(f"/trial/{CASE}", params={**SHORT, "read_to": "0.1", **asked})
    assert page.status_code == 200
    assert sentence in words(page)
    assert "The prescriber accepts" not in words(page)


def test_it_is_said_how_a_comma_and_a_unit_are_read(looking):
    page = words(looking.get(f"/trial/{CASE}", params={**SHORT, "left_by": "0,8 mm"}))
    assert "“0,8 mm” on the left is read as 0.8 mm." in page
    plain = {**SHORT, "left_by": "0.8", "right_by": "0.80"}
    assert "is read as" not in words(looking.get(f"/trial/{CASE}", params=plain))


def test_what_another_records_meanwhile_is_looked_at_first(browser, ledger, rods):
    shown = browser.get(f"/trial/{CASE}", params=SHORT)
    entry = re.search(r'name="entry" value="(\d+)"', shown.text)[1]
    with open_ledger(str(ledger)) as other:
        Pen(other, "ben")(Kind.ROD_STATE, CASE, {"identifier": rods[1], "state": "returned"})
    before = story(ledger)
    sent = {"token": token_in(shown), "entry": entry, **SHORT, **tried(browser)}
    answer = browser.post(f"/trial/{CASE}", data=sent)
    assert answer.status_code == 409
    assert "ben has recorded something of the case HLB-0107 since" in words(answer)
    assert story(ledger) == before


def test_an_open_trial_fit_is_told_what_another_records(browser, ledger, rods):
    shown = browser.get(f"/trial/{CASE}", params=SHORT)
    asks = re.search(rf'hx-get="(/since/\d+/{CASE})"', shown.text)[1]
    url = str(shown.url)
    assert asks in browser.get(asks, headers={"hx-current-url": url}).text
    with open_ledger(str(ledger)) as other:
        Pen(other, "ben")(Kind.ROD_STATE, CASE, {"identifier": rods[1], "state": "returned"})
    told = browser.get(asks, headers={"hx-current-url": url})
    assert "ben has recorded something of this case since" in told.text
    assert html.unescape(re.search(r'href="([^"]+)"', told.text)[1]) == url.partition("8765")[2]
    for other in ("http://elsewhere.example/", f"http://127.0.0.1:8765/cases/{CASE}?done=9"):
        told = browser.get(asks, headers={"hx-current-url": other})
        assert f'href="/cases/{CASE}"' in told.text


def test_rods_that_cannot_be_drawn_are_named(looking):
    page = looking.get(f"/trial/{PARALLEL}", params=MEETS)
    assert 'class="plain-rod"' in page.text
    assert "The jaw went as far as recorded" in words(page)


def test_a_case_without_rods_says_so(looking):
    told = words(looking.get("/trial/QF-1045"))
    assert "No trial fit can be entered." in told
    assert looking.get("/trial/QF-9").status_code == 404


def test_mm_of_a_rod_that_meets_are_left_out():
    asked = told_by({**SHORT, "left_seen": "meets", "other": "x"})
    assert asked == {"left_seen": "meets", "right_seen": "too_short", "right_by": "0.75"}
    assert is_whole(asked)
    assert not is_whole({**asked, "right_by": ""})


def test_the_day_is_that_of_the_workplace(looking):
    assert f'value="{datetime.date(2031, 3, 20)}"' in looking.get(f"/trial/{CASE}").text
