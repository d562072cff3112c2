"""`labkit clinic-sheet`: the page in a browser, and what it saves taken in."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from labkit.cli import clock
from labkit.cli.main import cli
from labkit.documents.clinic_sheet import clinic_sheet
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from tests.cli.test_intake import NOW
from tests.support.ledgers import Pen
from tests.support.workplaces import client_of, workplace
from tests.web.test_proposals import send
from tests.web.test_proposals import words as text_of

CHROMIUM = shutil.which("chromium") or ""


@pytest.fixture(scope="module")
def case(two_steps, tmp_path_factory):
    """A ledger whose one case has its rods with the clinic, and its sheet; runs a command."""
    folder = tmp_path_factory.mktemp("clinic")
    file = folder / "ledger.sqlite"
    shutil.copyfile(two_steps, file)
    with open_ledger(str(file), create=False) as ledger:
        name = ledger.cases()[0].case
        pen = Pen(ledger)
        for rod in ledger.rods(name):
            pen(Kind.ROD_STATE, name, {"identifier": rod.identifier, "state": "delivered"})

    def run(*arguments):
        env = {"COLUMNS": "200", "LABKIT_LEDGER": str(file), "LABKIT_BY": None}
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(clock, "now", lambda: NOW)
            return CliRunner().invoke(cli, [*map(str, arguments)], env=env)

    run.file = file
    run.name, run.page, run.blank = name, folder / "case.html", folder / "blank.html"
    written = run("clinic-sheet", name, "--out", run.page)
    assert written.exit_code == 0, written.output
    assert run("clinic-sheet", "--blank", "--out", run.blank).exit_code == 0
    return run


def content(page: Path):
    """What a page looks up."""
    found = re.search(
        r'<script type="application/json" id="sheet">(.*?)</script>', page.read_text("utf-8")
    )
    assert found
    return json.loads(found[1])


def test_the_page_bears_case_entry_and_day_and_asks_for_no_name(case):
    text, told = case.page.read_text("utf-8"), content(case.page)
    assert (told["case"], told["true_on"]) == (case.name, told["true"][-10:])
    assert told["true"].startswith(f"True as of entry {told['entry']} of the record, ")
    assert "<strong>No patient names.</strong>" in text
    assert "Small parts can be swallowed or inhaled" in text


def test_the_page_fetches_nothing_and_runs_only_its_own_code(case):
    for page in (case.page, case.blank):
        text = page.read_text("utf-8")
        policy = re.search(r'Content-Security-Policy" content="(.*?)"', text)
        assert "default-src &#x27;none&#x27;" in policy[1]
        assert "unsafe" not in policy[1]
        assert not re.findall(r'(?:src|href)="(?!data:)', text)
        assert not re.findall(r"\s(?:on\w+|style)=", text.partition("<script")[0])


def test_the_answer_of_a_trial_fit_is_that_of_the_command(case):
    trial = content(case.page)["trial"]
    left, right = (trial["first"][side] for side in ("left", "right"))
    seats = [trial["seats"][label]["too_short"]["0.3"] for label in (left, right)]
    told = trial["told"][trial["answers"][seats[0]][seats[1]]]
    said = case("trial", case.name, "--left", f"{left} too short by 0.3", "--right",
                f"{right} too short by 0.3", "--json")
    assert told["answer"] == json.loads(said.stdout)["answer"]


def test_a_case_number_is_text_on_the_page(case, tmp_path):
    name, page = "</script><b>&", tmp_path / "page.html"
    page.write_bytes(clinic_sheet({**content(case.blank), "case": name}, ()))
    text = page.read_text("utf-8")
    assert content(page)["case"] == name
    assert "</script><b>" not in text
    assert "case &lt;/script&gt;&lt;b&gt;&amp;</title>" in text


def test_what_is_asked_for_wrongly(case, tmp_path):
    for arguments, words in (
        (("--out", tmp_path / "a.html"), "name a case, or give --blank"),
        ((case.name, "--blank", "--out", tmp_path / "a.html"), "name a case, or give --blank"),
        ((case.name, "--out", tmp_path / "a.pdf"), "does not end with .html"),
        (("QF-9999", "--out", tmp_path / "a.html"), "has no case 'QF-9999'"),
    ):
        result = case("clinic-sheet", *arguments)
        assert result.exit_code == 2
        assert words in result.stderr
    assert "is there already" in case("clinic-sheet", "--blank", "--out", case.page).stderr
    assert not list(tmp_path.iterdir())


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not CHROMIUM:
        pytest.skip("chromium is not installed")
    with playwright.sync_playwright() as running:
        chromium = running.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


def fill_trial(page, case):
    for side in ("left", "right"):
        page.locator(f'input[name="{side}-seen"][value=too_short]').check(force=True)
        page.fill(f"#{side}-by", "0,3")
    assert "less far than recorded" in page.inner_text("#trial-means")
    page.check("#accepted")


def fill_order(page, case):
    page.locator(".gap button").first.click()
    page.fill("#percent", "50,0")
    page.keyboard.press("Enter")
    assert "refused" in page.inner_text("#ordered")  # there is such a pair
    page.locator("#ordered button").last.click()
    assert "which make" in page.inner_text("#ordered")


def fill_follow_up(page, case):
    page.locator("input[name=worn]").first.check()
    assert "% of the range" in page.inner_text("#worn-means")


def fill_rods(page, case):
    page.locator("[data-rod]").nth(0).select_option("lost")
    page.locator("[data-rod]").nth(1).select_option("returned")
    assert "see a doctor at once" in page.inner_text("#rods-means")


def fill_prescription(page, case):
    typed = page.input_value("#key-protruded")
    changed = f"{typed.partition('.')[0]},1"
    page.fill("#key-protruded", changed)
    assert f"protruded: {typed} → {changed}" in page.inner_text("#keys-means")


KINDS = {
    "trial": (fill_trial, "Left rod"),
    "order": (fill_order, "Rods in between, asked at"),
    "follow-up": (fill_follow_up, "In the mouth: the left rod"),
    "rods": (fill_rods, "What became of rods"),
    "prescription": (fill_prescription, "A revised prescription of a recorded case."),
}


def test_each_kind_is_filled_in_saved_and_taken_in(case, browser, tmp_path):
    page = browser.new_page(accept_downloads=True, viewport={"width": 390, "height": 800})
    noise = []
    page.on("console", lambda message: noise.append(message.text))
    page.on("pageerror", lambda error: noise.append(str(error)))
    page.on("request", lambda request: noise.append(request.url)
            if request.url.startswith(("http", "ws")) else None)
    page.goto(case.page.as_uri())
    lab = client_of(workplace(case.file, now=lambda: NOW, sets=tmp_path / "sets"))
    for kind, (fill, words) in KINDS.items():
        page.click(f'.kinds [data-kind="{kind}"]')
        page.click("button[type=submit]")
        assert page.is_visible("#problem")  # nothing is told yet, and nobody tells it
        fill(page, case)
        page.fill("#by", "dr-m")
        page.fill("#on", "2031-04-02")
        page.fill("#note", '<img src=x onerror="alert(1)"> & more')
        with page.expect_download() as saving:
            page.click("button[type=submit]")
        file = tmp_path / saving.value.suggested_filename
        saving.value.save_as(file)
        assert file.name == f"{case.name}-{kind}-2031-04-02.json"
        result = case("intake", file)
        assert result.exit_code == 0, result.output
        assert words in result.stdout
        assert '<img src=x onerror="alert(1)"> & more' in result.stdout
        # The workplace takes in the same file.
        shown = send(lab, file.read_bytes(), file.name)
        assert shown.status_code == 200
        assert words in text_of(shown)
        assert "<img" not in shown.text
        assert not re.search("null|undefined|NaN", page.inner_text("main"))
        assert page.is_hidden("#problem")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        page.fill("#by", "")
    assert noise == []
    page.close()


def test_a_printed_sheet_bears_a_code_that_a_scanner_reads(case, browser, tmp_path):
    zxing = pytest.importorskip("zxingcpp")
    from PIL import Image

    page = browser.new_page(viewport={"width": 900, "height": 900})
    page.goto(case.page.as_uri())
    page.click('.kinds [data-kind="trial"]')
    fill_trial(page, case)
    page.fill("#by", "dr-m")
    page.fill("#on", "2031-04-02")
    page.evaluate("window.print = () => {}")
    page.click("#print")
    page.emulate_media(media="print")
    page.locator("#paper > svg").screenshot(path=tmp_path / "code.png", scale="css")
    page.close()
    with Image.open(tmp_path / "code.png") as picture:
        large = picture.resize((picture.width * 4, picture.height * 4))
    (found,) = zxing.read_barcodes(large)
    file = tmp_path / "scanned.json"
    file.write_text(found.text, encoding="utf-8")
    assert "Trial fit of case" in case("intake", file).stdout
