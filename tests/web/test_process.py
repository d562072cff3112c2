"""The process in the browser: the reports that the command line prints, with their charts."""

from __future__ import annotations

import html
import re

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.ledger.store import open_ledger
from labkit.web.workplace import OwnFiles
from tests.support.coupons import coupon_csv
from tests.support.measured_rods import fill
from tests.support.measuring import own
from tests.support.workplaces import client_of, token_in, workplace
from tests.web.test_pages import words

STUDY = "part,operator,value\n" + "".join(
    f"{part},{operator},{30 + part / 10 + trial * 0.004 + operator * 0.002:.3f}\n"
    for part in range(5) for operator in (1, 2) for trial in range(2)
)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A browser on a record of forty measured rods; the tests only look with it."""
    folder = tmp_path_factory.mktemp("process")
    with open_ledger(str(folder / "ledger.sqlite")) as ledger:
        fill(ledger, sets=5)
    place = workplace(folder / "ledger.sqlite", own=OwnFiles(instruments=own(folder)))
    return client_of(place), folder


def cells(page):
    return set(html.unescape(" ".join(re.findall(r"<td[^>]*>([^<]*)</td>", page.text))).split())


def told(folder, *arguments):
    env = {"COLUMNS": "200", "LABKIT_LEDGER": str(folder / "ledger.sqlite"), "LABKIT_BY": "anna"}
    return CliRunner().invoke(cli, list(map(str, arguments)), env=env)


@pytest.mark.parametrize("look", ["chart", pytest.param("capability", marks=pytest.mark.slow)])
def test_a_look_is_the_command_s_with_its_charts(bench, look):
    browser, folder = bench
    page = browser.get(f"/process/look?look={look}&process=example-resin")
    printed = told(folder, look, "--process", "example-resin").stdout
    assert page.status_code == 200
    assert cells(page) <= set(printed.split())
    assert len(cells(page)) > 5
    assert page.text.count('src="data:image/svg+xml;base64,') >= (3 if look == "capability" else 1)


def test_what_does_not_fit_is_told(bench):
    browser, _ = bench
    assert "No measured rod has the material" in words(browser.get("/process/look?lot=Z<b>"))
    assert "to look at; choose one" in words(browser.get("/process/look?look=sideways"))
    assert "is not a day" in words(browser.get("/process/look?since=soon"))
    assert "<b>" not in browser.get("/process/look?lot=<b>x</b>").text.replace("<b>un", "")


def test_rejects_lots_and_instruments_stand_on_one_page(bench):
    browser, folder = bench
    page = browser.get("/process")
    assert cells(page) >= {"example-resin"}
    for line in told(folder, "rejects").stdout.splitlines()[-3:]:
        assert " ".join(line.split()) in html.unescape(words(page))
    assert "micrometer-7 Outside micrometer 7, 25 to 50 mm due 2032-09-30" in words(page)
    assert "standard deviation of one reading" in words(page)


def test_a_gauge_is_studied_by_the_table_that_is_sent(bench):
    browser, folder = bench
    (folder / "study.csv").write_text(STUDY, "utf-8")
    printed = told(folder, "gauge-study", folder / "study.csv", "--tolerance", "0.15").stdout
    page = sent(browser, "gauge-study", {"tolerance": "0,15"}, readings=("study.csv", STUDY))
    assert page.status_code == 200, words(page)
    assert cells(page) <= set(printed.split())
    assert len(cells(page)) > 10
    wrong = sent(browser, "gauge-study", {}, readings=("study.csv", "part,value\n1,x\n"))
    assert (wrong.status_code, "Study.csv:2" in words(wrong)) == (422, True)
    assert "no table was sent" in words(sent(browser, "gauge-study", {})).casefold()


ASKED = {"process_name": "example-resin", "name": "resin-may", "day": "2031-05-02"}


@pytest.mark.slow
def test_a_process_is_calibrated_and_its_file_is_given(bench):
    browser, folder = bench
    raw = coupon_csv()
    (folder / "coupons.csv").write_bytes(raw)
    done = told(
        folder, "calibrate", folder / "coupons.csv", "--process", "example-resin", "--name",
        "resin-may", "--date", "2031-05-02", "--out", folder / "resin-may.toml",
    )
    assert done.exit_code == 0, done.output
    page = sent(browser, "calibration", ASKED, coupons=("coupons.csv", raw.decode()))
    assert page.status_code == 200, words(page)
    shown = html.unescape(re.search(r'<pre class="file">(.*?)</pre>', page.text, re.S)[1])
    assert shown == (folder / "resin-may.toml").read_text("utf-8")
    assert 'download="resin-may.toml"' in page.text


def test_a_calibration_that_is_refused_keeps_what_was_typed(bench):
    browser, _ = bench
    few = coupon_csv(each=1, lengths=(30.0,)).decode()
    refused = sent(browser, "calibration", ASKED, coupons=("coupons.csv", few))
    assert refused.status_code in (409, 422)
    assert 'value="resin-may"' in refused.text
    taken = sent(browser, "calibration", {**ASKED, "name": "example-resin"},
                 coupons=("coupons.csv", few))
    assert "there is a process of that name already" in words(taken)
    assert sent(browser, "calibration", {**ASKED, "day": "soon"}).status_code == 422


def sent(browser, page, data, **files):
    token = token_in(browser.get(f"/process/{page}"))
    files = {name: (file, text, "text/csv") for name, (file, text) in files.items()}
    return browser.post(f"/process/{page}", data={"token": token, **data}, files=files or None)
