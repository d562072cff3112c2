"""The prescription as a form: filled in, taken from a file, worked out while typed, recorded."""

from __future__ import annotations

import html
import json
import re
from urllib.parse import quote

import pytest
from click.testing import CliRunner

from labkit.catalog.places import templates_dir
from labkit.catalog.toml_source import parse_toml
from labkit.cli.main import cli
from labkit.ledger.store import look_into
from labkit.web.accounts import Account
from labkit.web.language import sign_of
from labkit.web.prescription_form import fields
from labkit.web.rights import Role
from labkit.workflow.intake.prescriptions import text_keys, texts_of
from tests.support.prescriptions import SMALLEST, changed, hinged
from tests.support.workplaces import CASE, NOW, PARALLEL, client_of, token_in, workplace

NEW = {**texts_of(parse_toml(SMALLEST, "rx.toml")), "case": "QF-2001"}
PART = {"hx-request": "true"}


def words(text):
    """The text of a page without its marks."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def told(browser, path="/new-case"):
    return {"token": token_in(browser.get(path))}


def look(browser, texts, language="en"):
    sent = {**told(browser), **texts}
    return browser.post("/prescription-look", data=sent, headers={
        **PART, "accept-language": language,
    })


def upload(browser, content, name="rx.toml"):
    return browser.post(
        "/prescription-file", data=told(browser), files={"file": (name, content)}
    )


def values(page):
    """What stands in the form of a page."""
    found = dict(re.findall(r'<input id="f-[^"]+" name="([^"]+)" value="([^"]*)"', page.text))
    for name, inside in re.findall(r'<select id="f-[^"]+" name="([^"]+)".*?</option>(.*?)</select>',
                                   page.text):
        found[name] = "".join(re.findall(r'value="([^"]+)" selected', inside))
    for name in re.findall(r'type="checkbox" id="f-[^"]+" name="([^"]+)" value="yes" checked',
                           page.text):
        found[name] = "yes"
    return {name: html.unescape(value) for name, value in found.items() if value}


def test_the_form_has_every_key_with_its_own_words(looking):
    page = looking.get("/new-case").text
    assert set(re.findall(r'id="f-[^"]+" name="([^"]+)"', page)) == set(text_keys())
    for field in fields().values():
        assert field.hint in html.unescape(page)
    assert 'Retruded <span class="limits">mm, −30 to 30</span>' in page
    assert "Length grid: rods are rounded to it; left empty: 0.1" in page
    assert "eye-eye-flat: " in page


@pytest.mark.parametrize("text", [SMALLEST, hinged()], ids=["straight", "hinged"])
def test_the_lengths_are_those_of_the_command(looking, text, tmp_path):
    path = tmp_path / "rx.toml"
    path.write_text(text, encoding="utf-8")
    run = CliRunner().invoke(cli, ["lengths", "--json", str(path)])
    steps = json.loads(run.stdout)["steps"]
    page = look(looking, texts_of(parse_toml(text, "rx.toml"))).text
    table = page.partition(">Steps<")[2].partition("</table>")[0]
    rows = re.findall(r"<tr.*?</tr>", table)[-len(steps) :]
    shown = [re.findall(r"<td[^>]*>([^<]*)", row) for row in rows]
    assert [(row[4], row[5], row[7]) for row in shown] == [
        (step["left"]["label"], step["right"]["label"], f"{step['made']['advancement_mm']:.2f}")
        for step in steps
    ]
    assert page.count('class="mark') - page.count('class="mark-word') == len(steps)


def test_a_comma_or_a_point_is_taken_where_only_one_thing_can_be_meant(looking):
    plain_ = words(look(looking, NEW).text).replace("-5.2", "")
    for language in ("de", "en", ""):
        commas = {name: text.replace(".", ",") for name, text in NEW.items()}
        assert words(look(looking, commas, language).text).replace("-5.2", "") == plain_


@pytest.mark.parametrize(
    ("typed", "language", "sentence"),
    [
        ({"percent": "50,75"}, "en", "commas that could separate numbers or be part of them"),
        ({"percent": "50,75,100"}, "de", "put semicolons between the numbers"),
        ({"percent": "50; 1.234"}, "en", ""),
        ({"start": "1,234"}, "en", '"1,234" could be 1.234 or 1234'),
        ({"start": "1.234"}, "de", '"1.234" could be 1.234 or 1234'),
        ({"retruded": "-5,234"}, "en", ""),
    ],
)
def test_what_could_mean_two_things_is_refused_with_a_sentence(looking, typed, language, sentence):
    page = words(look(looking, {**NEW, **typed}, language).text)
    assert ("That cannot be read" in page and sentence in page) if sentence else (
        "could be" not in page
    )


def test_a_comma_alone_in_a_list_is_a_decimal_sign_where_people_write_it_so(looking):
    assert "62.5 7.25" in words(look(looking, {**NEW, "percent": "62,5"}, "de").text)


def test_signs_of_languages():
    tags = ("de", "de-AT", "de-CH", "fr", "es-MX", "en-US", "*", "")
    assert "".join(sign_of(tag) or "-" for tag in tags) == ",,.,..--"


def test_numbers_are_shown_as_the_reader_writes_them(looking):
    sent = told(looking)
    page = looking.post("/prescription-file", data=sent, files={"file": ("a.toml", SMALLEST)},
                        headers={"accept-language": "de-DE,de;q=0.9"})
    assert values(page)["retruded"] == "-5,2"
    assert values(page)["percent"] == "50; 62,5; 75; 87,5; 100"


def test_what_is_not_filled_in_yet_is_not_wrong(looking):
    page = words(look(looking, {"case": "QF-2001", "retruded": "-5"}).text)
    assert "Still to fill in: date, zero, protruded, registered, action, template" in page
    assert "cannot be read" not in page
    only = {name: text for name, text in NEW.items() if name not in ("percent", "start")}
    assert "Still to fill in: percent." in words(look(looking, only).text)


def test_what_a_rule_refuses_is_told_at_its_field_while_typing(looking):
    page = look(looking, {**NEW, "registered": "9"}).text
    assert 'data-field="f-registered"' in page
    assert "the registered reading (9) lies outside the range" in words(page)
    whole = looking.post("/prescription-look", data={**told(looking), **NEW, "registered": "9"})
    assert re.search(r'id="f-registered"[^>]*aria-invalid="true"', whole.text)


def test_what_the_record_refuses_is_told_while_typing(looking):
    told = words(look(looking, {**NEW, "case": CASE}).text)
    assert f"the case {CASE} is recorded already; revise its prescription instead" in told
    assert "Refused" in told
    told = words(look(looking, {**NEW, "case": "a/./b"}).text)
    assert "no page could be shown of a case 'a/./b'" in told
    page = look(looking, {**NEW, "revises": PARALLEL})
    assert f"the prescription of {PARALLEL} is revised, and the form says" in words(page.text)


def test_what_cannot_be_read_is_told_all_at_once(looking):
    page = look(looking, {**NEW, "retruded": "-40", "protruded": "far", "zero": "back"}).text
    at = set(re.findall('<li data-field="([^"]+)"', page))
    assert at == {"f-retruded", "f-protruded", "f-zero"}


def test_nothing_typed_becomes_markup_here(looking):
    text = '"><script>x</script>'
    page = looking.post("/prescription-look", data={**told(looking), **dict.fromkeys(NEW, text),
                                                    "base": text, "revision": text})
    assert page.status_code == 200
    assert "<script>x" not in page.text


@pytest.mark.parametrize("name", ["demo-plain", "demo-hinged"])
def test_a_file_fills_the_form(looking, name):
    text = (templates_dir() / "prescriptions" / f"{name}.toml").read_text("utf-8")
    page = upload(looking, text)
    assert values(page) == texts_of(parse_toml(text, "rx.toml"))
    assert "Refused" not in words(page.text)


@pytest.mark.parametrize(
    ("content", "status", "sentence"),
    [
        (b"", 200, "Still to fill in"),
        (b"\xff\xfe", 422, "is not UTF-8 text"),
        (b"[bite\n", 422, "is not valid TOML"),
        (SMALLEST.replace("retruded =", "retrudet =").encode(), 200, "did you mean `retruded`?"),
        (SMALLEST.replace('"pull"', "{a = 1}").encode(), 200, "Still to fill in: action."),
        (b"[jaw]\ncondylar_inclination = {x = 1}\n", 200, "Still to fill in"),
        (b"[grading]\nsteps = 0x" + b"f" * 6000, 422, "number"),
        (b'case = "a\\u0000b"\n', 422, "control character"),
    ],
)
def test_a_file_that_is_not_right_says_why(looking, content, status, sentence):
    page = upload(looking, content)
    assert page.status_code == status
    assert sentence in words(page.text)


def test_no_file_is_chosen(looking):
    page = looking.post("/prescription-file", data={**told(looking), **NEW})
    assert page.status_code == 422
    assert "no file is chosen; choose a prescription file" in words(page.text)


def record(browser, texts, path="/new-case", **more):
    return browser.post("/prescription", data={**told(browser, path), **texts, **more},
                        follow_redirects=False)


def newest(ledger, case):
    with look_into(str(ledger)) as reader:
        return reader.prescription(case)


def test_a_new_case_is_recorded_and_can_be_made(browser, ledger):
    answer = record(browser, NEW)
    assert (answer.status_code, answer.headers["location"]) == (303, "/prescribed/QF-2001")
    stored = newest(ledger, "QF-2001")
    assert (stored.revision, stored.stamp.by) == (1, "anna")
    assert texts_of(parse_toml(stored.text, "rx.toml")) == NEW
    page = browser.get("/prescribed/QF-2001")
    assert "Prescription revision 1 of QF-2001 recorded" in words(page.text)
    assert "the case is open." in words(page.text)
    assert 'action="/make/QF-2001"' in page.text
    assert "QF-2001 first set Prescribed" in words(browser.get("/").text)


def test_a_file_that_fills_the_form_is_recorded_as_it_is(browser, ledger):
    text = "# ours\n" + SMALLEST.replace("QF-1043", "QF-2001")
    page = upload(browser, text)
    base = re.search(r'name="base" value="([^"]+)"', page.text)[1]
    assert record(browser, values(page), base=base).status_code == 303
    assert newest(ledger, "QF-2001").text == text
    assert record(browser, NEW | {"case": "QF-2002"}, base="?").status_code == 422


def test_what_is_changed_in_the_form_is_changed_in_the_file_alone(browser, ledger):
    text = "# ours\n" + SMALLEST.replace("QF-1043", "QF-2001").replace("6.4", "6.4  # twice")
    base = re.search(r'name="base" value="([^"]+)"', upload(browser, text).text)[1]
    texts = {**NEW, "protruded": "6,6", "habitual": "-1", "start": ""}
    assert record(browser, texts, base=base).status_code == 303
    stored = newest(ledger, "QF-2001").text
    assert "protruded = 6.6  # twice" in stored
    assert "habitual = -1" in stored
    assert "start" not in stored
    assert stored.startswith("# ours\n")


@pytest.mark.parametrize(
    ("typed", "status", "sentence"),
    [
        ({"case": CASE}, 409, f"the case {CASE} is recorded already"),
        ({"registered": "9"}, 409, "lies outside the range"),
        ({"protruded": "far"}, 422, "is not a number"),
        ({"zero": ""}, 422, "Still to fill in: zero."),
        ({"case": "a/../b"}, 409, "no page could be shown of a case 'a/../b'"),
    ],
)
def test_what_is_refused_records_nothing_and_keeps_what_was_typed(
    browser, ledger, typed, status, sentence
):
    before = ledger.read_bytes()
    page = record(browser, {**NEW, **typed})
    assert page.status_code == status
    assert sentence in words(page.text)
    assert values(page) == {name: text for name, text in {**NEW, **typed}.items() if text}
    assert ledger.read_bytes() == before


def revised(browser, texts, case=PARALLEL, **more):
    page = browser.get(f"/prescription/{case}")
    kept = {"revises": case, "revision": re.search(r'name="revision" value="(\d+)"', page.text)[1]}
    return record(browser, values(page) | texts, f"/prescription/{case}", **kept | more)


def test_a_prescription_is_revised_in_the_same_form(browser, ledger):
    assert f'href="/prescription/{PARALLEL}"' in browser.get(f"/cases/{PARALLEL}").text
    before = newest(ledger, PARALLEL)
    answer = revised(browser, {"protruded": "5,5"}, reason="bite taken again")
    assert answer.status_code == 303
    after = newest(ledger, PARALLEL)
    assert after.revision == 2
    assert after.text == changed(before.text, ("protruded = 5.2", "protruded = 5.5"))
    page = words(browser.get(f"/prescribed/{PARALLEL}").text)
    assert "rods make other percentages now" in page
    assert "Make a set by this revision, or leave the rods as they are." in page


@pytest.mark.parametrize(
    ("typed", "more", "sentence"),
    [
        ({"protruded": "5.5"}, {}, "no reason is given; say why the prescription is revised"),
        ({"case": "QF-9"}, {"reason": "x"}, f"the prescription of {PARALLEL} is revised"),
        ({"protruded": "5.5"}, {"reason": "x", "revision": "0"}, "since this page was loaded"),
    ],
)
def test_a_revision_that_is_refused_says_why(browser, ledger, typed, more, sentence):
    page = revised(browser, typed, **more)
    assert page.status_code in (409, 422)
    assert sentence in words(page.text)
    assert newest(ledger, PARALLEL).revision == 1


def test_a_form_in_which_nothing_was_changed_is_no_revision(browser, ledger):
    answer = revised(browser, {}, reason="x")
    page = words(browser.get(answer.headers["location"]).text)
    assert "Nothing was recorded" in page
    assert f"This text is prescription revision 1 of {PARALLEL} already" in page
    assert newest(ledger, PARALLEL).revision == 1


def test_a_clinic_prescribes_for_its_own_cases(ledger):
    client = client_of(workplace(ledger), by="")
    account = Account(Role.DENTIST, "", ("QF-",), "Quay Road")
    secret, visit = client.app.state.visits.begin(NOW, "dora", Role.DENTIST, account)
    client.cookies.set("labkit", secret)
    page = record(client, {**NEW, "case": "HLB-9"})
    assert page.status_code == 409
    assert "your account is for cases whose numbers begin with QF-" in words(page.text)
    assert record(client, NEW).status_code == 303
    assert "The laboratory makes the set" in words(client.get("/prescribed/QF-2001").text)
    assert client.get(f"/prescription/{CASE}").status_code == 404
    assert visit.token


def test_the_jaw_moves_along_the_steps_and_opens(looking):
    texts = texts_of(parse_toml(hinged(), "rx.toml"))
    assert 'id="at_drop"' in look(looking, texts).text
    closed = looking.post("/prescription-jaw", data={**told(looking), **texts, "at_step": "2"})
    opened = looking.post("/prescription-jaw", data={
        **told(looking), **texts, "at_step": "2", "at_drop": "3",
    })
    assert "Step 2, rods" in words(closed.text)
    assert "with the mouth opened by 3 mm at the incisors" in words(opened.text)
    assert closed.text.count("<path") > 5
    assert closed.text != opened.text
    far = looking.post("/prescription-jaw", data={
        **told(looking), **texts, "at_step": "9" * 50, "at_drop": "15",
    })
    assert "no position of the jaw" in words(far.text)
    none = looking.post("/prescription-jaw", data={**told(looking), "case": "X"})
    assert none.text == '<div id="jaw-seen"></div>'


def test_the_jaw_of_a_case_is_a_page_of_plain_links(looking):
    page = looking.get(f"/jaw/{PARALLEL}?at_step=2&at_drop=5")
    assert "A sketch: the straight jaw model knows how far the seats lie apart" in words(page.text)
    assert f'href="/jaw/{PARALLEL}?at_step=3&amp;at_drop=0"' in page.text
    assert 'id="at_drop"' not in page.text
    part = looking.get(f"/jaw/{PARALLEL}?at_step=3", headers=PART).text
    assert part.startswith('<div id="jaw-seen">')


def test_a_file_for_a_recorded_case_becomes_its_next_revision_as_it_is(browser, ledger):
    text = "# from the clinic\n" + changed(
        newest(ledger, PARALLEL).text, ("protruded = 5.2", "protruded = 5.5")
    )
    kept = {"revises": PARALLEL, "revision": "1"}
    page = browser.post("/prescription-file", data={**told(browser), **kept},
                        files={"file": ("rx.toml", text)})
    assert f'name="revises" value="{PARALLEL}"' in page.text
    base = re.search(r'name="base" value="([^"]+)"', page.text)[1]
    sent = values(page) | kept | {"reason": "bite taken again", "base": base}
    assert record(browser, sent).status_code == 303
    assert newest(ledger, PARALLEL).text == text


def test_what_is_too_long_for_a_prescription_is_not_read(browser, ledger):
    told = "characters, and at most 20,000 are read; leave out what does not belong to it"
    before, long = ledger.read_bytes(), {**NEW, "notes": "x" * 20_000}
    for answer in (
        look(browser, long), record(browser, long), upload(browser, b"# " + b"x" * 20_000)
    ):
        assert told in words(answer.text)
    assert ledger.read_bytes() == before


@pytest.mark.parametrize("case", ["100 %", "a\\b", "2031/17", "...", "x?y=1#z", "=1+1", "<b>é"])
def test_a_new_case_may_have_any_number(browser, ledger, case):
    answer = record(browser, {**NEW, "case": case})
    assert answer.status_code == 303
    page = browser.get(answer.headers["location"])
    assert f"Prescription revision 1 of {case} recorded" in words(page.text)
    assert newest(ledger, case).case == case
    for name in ("prescription", "jaw"):
        found = browser.get(f"/{name}/{quote(case, safe='')}")
        assert found.status_code == 200
        assert case in words(found.text)
        assert "<b>é" not in found.text
