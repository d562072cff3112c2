"""What the pages show and record; the rules are those of the use cases."""

from __future__ import annotations

import html
import io
import re
import shutil
import zipfile
from types import SimpleNamespace
from urllib.parse import quote

import pytest

from labkit.catalog.guide import TOPICS, title
from labkit.core.case.identifier import grouped
from labkit.core.report import Column, Plot, Report, Section, Table
from labkit.errors import InputError
from labkit.ledger.events import Kind
from labkit.ledger.store import look_into, open_ledger
from labkit.web.files import files_of, read_file
from labkit.web.print_report import report_facts
from labkit.web.scale import Shown, scale_of
from labkit.web.show import _environment
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.sets.on_disk import FILLED_IN
from tests.support.ledgers import Pen
from tests.support.workplaces import CASE, FOLDER, PARALLEL, SET, client_of, token_in, workplace


def words(page):
    """The text of a page without its marks."""
    return " ".join(re.sub(r"<[^>]+>", " ", page.text).split())


def test_today_says_what_needs_doing_and_leads_there(looking):
    page = looking.get("/")
    assert page.status_code == 200
    told = words(page)
    assert "To make 1 QF-1045 first set Prescribed, and no set is made yet." in told
    assert "QF-1044 QF-1044-r1 8 rods of 8 not measured" in told
    assert f"{CASE} {SET}" in told
    assert f'href="/measure/{CASE}?set={SET}"' in page.text


def test_the_list_has_every_case_and_finds_by_number(looking):
    assert all(case in looking.get("/cases").text for case in (CASE, "QF-1044", "QF-1045"))
    found = looking.get("/cases?find=qf").text
    assert "QF-1044" in found
    assert f"/cases/{CASE}" not in found
    assert "No case has such a number." in looking.get("/cases?find=zzz").text


def test_a_case_tells_today_first(looking, filled):
    page = looking.get(f"/cases/{CASE}")
    told = words(page)
    with look_into(str(filled[0])) as reader:
        standing = standing_of_case(reader, CASE)
    assert standing.true_as_of in told
    assert f"Protrusive range {standing.now.range_mm:.2f} mm" in told
    assert "In the mouth 1 rod" in told
    assert "Clinic or wearer 3 rods" in told
    for pair in standing.in_circulation:
        assert f"{pair.makes.percent:.1f} % {pair.makes.advancement_mm:.2f} ±" in told
    assert told.index("Protrusive range") < told.index("Rods, and what") < told.index("Story")
    assert "1 2031-03-14 09:26:54 UTC anna case opened" in told


def test_rods_are_drawn_to_scale(looking):
    page = looking.get(f"/cases/{CASE}").text
    widths = [float(width) for width in re.findall(r'class="drawing" width="([\d.]+)"', page)]
    lengths = [float(label) for label in re.findall(r'aria-label="Rod ([\d.]+),', page)]
    assert len(widths) == len(lengths) > 4
    assert len({round(width - 7.0 * length, 3) for width, length in
                zip(widths, lengths, strict=True)}) == 1


def test_every_gap_is_a_link_to_what_would_be_made(looking):
    page = looking.get(f"/cases/{PARALLEL}").text
    gaps = re.findall(rf'href="(/between/{PARALLEL}\?low=[\d.]+&amp;high=[\d.]+)"', page)
    assert len(gaps) == 9  # each on the scale, on that of a telephone, and between the rows
    shown = looking.get(gaps[0].replace("&amp;", "&"))
    assert shown.status_code == 200
    assert "Preview only: nothing was written, reserved or ordered." in shown.text
    assert 'class="mark new"' in shown.text


def test_a_rod_in_between_that_is_refused_says_why(looking):
    told = words(looking.get(f"/between/{PARALLEL}?percent=80"))
    assert "Cannot be made." in told
    assert "is no percentage" in words(looking.get(f"/between/{PARALLEL}?percent=<b>"))
    assert "<b>" not in looking.get(f"/between/{PARALLEL}?percent=<b>x</b>").text


@pytest.mark.parametrize(
    "asked",
    ["low=70&high=80&count=" + "9" * 5000, "low=70&high=80&count=6", "low=70&high=80&count=0",
     "low=70&high=1e3000000", "percent=1001", "percent=-1", "percent=" + "7" * 5000],
)
def test_what_is_asked_for_has_bounds(looking, asked):
    page = looking.get(f"/between/{PARALLEL}?{asked}")
    assert page.status_code == 200
    assert re.search("is (no percentage|not a percentage|not a number of rods)", words(page))
    assert len(page.text) < 40_000


def test_a_comma_is_a_decimal_point(looking):
    assert "76.25 %" in words(looking.get(f"/between/{PARALLEL}?percent=76,25"))


def test_what_becomes_of_rods_is_recorded_under_the_code(browser, ledger, rods):
    page = browser.get(f"/cases/{CASE}")
    sent = {"token": token_in(page), "rod": rods[1:3], "state": "returned", "note": "clean"}
    answer = browser.post(f"/told/{CASE}", data=sent, follow_redirects=False)
    assert answer.status_code == 303
    back = answer.headers["location"]
    assert "Recorded as entry 17, by anna: rod" in words(browser.get(back))
    assert back == f"/cases/{CASE}?done=16-17"
    with look_into(str(ledger)) as reader:
        assert [reader.find(rod).state for rod in rods[1:3]] == ["returned"] * 2
        assert {reader.find(rod).state_since.by for rod in rods[1:3]} == {"anna"}


@pytest.mark.parametrize(
    ("sent", "sentence"),
    [
        ({"state": "returned"}, "no rod is ticked"),
        ({"rod": "all", "state": "eaten"}, "what became of the rods is not said"),
        ({"rod": "all", "state": "lost", "date": "soon"}, "&#39;soon&#39; is not a day"),
        ({"rod": "all", "state": "lost", "date": "2031-05-01"}, "2031-05-01"),
    ],
)
def test_a_slip_in_the_form_records_nothing(browser, ledger, rods, sent, sentence):
    before = ledger.read_bytes()
    sent = {**sent, **({"rod": rods[:2]} if "rod" in sent else {})}
    token = token_in(browser.get(f"/cases/{CASE}"))
    answer = browser.post(f"/told/{CASE}", data={"token": token, **sent})
    assert answer.status_code in (409, 422)
    assert sentence in answer.text
    assert ledger.read_bytes() == before


def test_a_rod_is_found_as_typed_and_told_whole(looking, rods):
    answer = looking.get("/rods", params={"identifier": f" {grouped(rods[0])} "})
    told = words(answer)
    assert answer.url.path == f"/rods/{rods[0]}"
    assert "fitted (in the mouth)" in told
    assert "to scale" in answer.text
    assert "has a wrong digit" in looking.get("/rods?identifier=0000000000").text


def test_papers_and_files_are_those_of_the_list(looking):
    page = looking.get(f"/cases/{CASE}").text
    assert f'href="/sets/{SET}/paper/documents/case-sheet.pdf"' in page
    paper = looking.get(f"/sets/{SET}/files/documents/case-sheet.pdf")
    assert paper.content == (FOLDER / "documents" / "case-sheet.pdf").read_bytes()
    assert paper.headers["content-type"] == "application/pdf"
    step = next(path.name for path in (FOLDER / "step").iterdir())
    saved = looking.get(f"/sets/{SET}/files/step/{step}")
    assert saved.headers["content-disposition"] == f'attachment; filename="{step}"'


@pytest.mark.parametrize(
    "name",
    ["../../lengths.txt", "%2e%2e/%2e%2e/lengths.txt", "/etc/passwd", "SHA256SUMS", "x", "step",
     "documents%5c..%5cspacer-set.json", "step/%00"],
)
def test_no_other_file_is_given(looking, name):
    answer = looking.get(f"/sets/{SET}/files/{name}")
    assert answer.status_code == 404
    assert "root:" not in answer.text


def test_a_changed_file_is_not_given(filled, tmp_path):
    folder = shutil.copytree(FOLDER, tmp_path / SET)
    (folder / "checks.json").write_text("{}", encoding="utf-8")
    with look_into(str(filled[0])) as reader:
        stored = reader.set_named(SET)
    moved = SimpleNamespace(name=SET, state=stored.state, folder=str(folder))
    with pytest.raises(InputError, match="is not as it was made"):
        read_file(moved, "checks.json")
    form = next(name for name in files_of(moved).names if name.startswith(FILLED_IN))
    (folder / form).write_bytes(b"filled in")
    assert read_file(moved, form) == b"filled in"


def test_a_whole_set_in_one_file(looking):
    answer = looking.get(f"/sets/{SET}/all.zip")
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        for name in archive.namelist():
            own = FOLDER / name.removeprefix(f"{SET}/")
            assert archive.read(name) == own.read_bytes()
        assert f"{SET}/SHA256SUMS" in archive.namelist()


def test_unknown_things_are_told(looking):
    assert looking.get("/cases/QF-9").status_code == 404
    assert "has no case" in words(looking.get("/cases/QF-9"))
    assert looking.get("/nowhere").status_code == 404
    assert looking.get("/sets/QF-9-r1/all.zip").status_code == 404


def test_an_empty_ledger_has_a_page(tmp_path):
    with open_ledger(str(tmp_path / "ledger.sqlite")):
        pass
    browser = client_of(workplace(tmp_path / "ledger.sqlite"))
    assert "No case is recorded yet." in browser.get("/").text
    assert 'href="/new-case">New case</a>' in browser.get("/").text
    assert "The record has no cases yet." in browser.get("/cases").text


def test_a_report_becomes_headed_tables_words_and_pictures():
    table = Table((Column("rod"), Column("mm", show="{:.2f}".format)), (("A<b>", 1.0),), bold=[0])
    plot = Plot("chart", lambda: {"svg": b"<svg/>", "png": b""}, "What it shows")
    report = Report("Title", (Section("Heading", ("A & B",), table, plot), Section()))
    (section,) = report_facts(report)
    assert section.table.numbers == (False, True)
    template = _environment().from_string(
        "{% from 'report.html' import print_report %}{{ print_report(sections) }}"
    )
    html = template.render(sections=(section,))
    assert '<td class="number">1.00</td>' in html
    assert "A&lt;b&gt;" in html
    assert "<p>A &amp; B</p>" in html
    assert 'src="data:image/svg+xml;base64,PHN2Zy8+" alt="What it shows"' in html


def test_words_of_near_pairs_stand_one_above_the_other_within_the_picture(filled):
    with look_into(str(filled[0])) as reader:
        standing = standing_of_case(reader, CASE)
    near = [Shown(5.0 + each / 100, 50.0, "33.3/33.4", "new") for each in range(3)]
    scale = scale_of(standing, near)
    new = [mark for mark in scale.marks if mark.kind == "new"]
    assert len({mark.row for mark in new}) == 3
    highest = max(mark.row for mark in scale.marks)
    assert scale.top < 66 - 30 * highest - 12 - 10  # the words' base line, less their height


def test_an_open_page_is_told_what_another_records(browser, ledger, rods):
    open_page = browser.get(f"/cases/{CASE}")
    asks = re.search(rf'hx-get="(/since/\d+/{CASE})"', open_page.text)[1]
    assert asks in browser.get(asks).text  # nothing yet: it asks again
    other = client_of(workplace(ledger), by="ben")
    sent = {"token": token_in(other.get(f"/cases/{CASE}")), "rod": rods[1], "state": "lost"}
    assert other.post(f"/told/{CASE}", data=sent).status_code == 200
    told = browser.get(asks)
    assert "ben has recorded something of this case since" in told.text
    assert "hx-get" not in told.text
    late = browser.post(f"/told/{CASE}", data={**sent, "token": token_in(open_page)})
    assert late.status_code == 409
    assert "lost" in words(late)


@pytest.mark.parametrize(
    "case", ["2031/17", "Zähne #4 ?a=b&c", "100 %", "<b>'\"", "a\\b", "x/between"]
)
def test_a_case_number_may_hold_any_character(tmp_path, case):
    with open_ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        Pen(ledger)(Kind.CASE_OPENED, case, {})
    browser = client_of(workplace(tmp_path / "ledger.sqlite"))
    listed = browser.get("/cases")
    link = html.unescape(re.search(r'<a href="([^"]+)"><strong>', listed.text)[1])
    page = browser.get(link)
    assert page.status_code == 200
    assert f"Case {case}" in html.unescape(words(page))


HOSTILE = (
    "", " ", "..", "../../etc/passwd", "%2e%2e%2f", "\x00", "\n\r", "a" * 5000, "\u202e\U0001f9b7",
    "=1+1", "@SUM(A1)", "-1", "NaN", "Infinity", "1e999", "{{7*7}}", "${x}", "' OR 1=1 --",
    "<svg onload=alert(1)>", "\ud7ff", "0x10", "\u0668\u0660", "1;2", "null", "[]", "\u00b2", "80",
)


@pytest.mark.parametrize("text", HOSTILE, ids=ascii)
def test_nothing_typed_breaks_a_page_or_changes_the_record(looking, filled, text):
    before = filled[0].read_bytes()
    typed = quote(text, safe="")
    for path in (
        f"/cases/{typed}", f"/rods/{typed}", f"/jobs/{typed}", f"/since/1/{typed}",
        f"/since/{typed}/{CASE}", f"/between/{typed}?percent=55", f"/sets/{typed}/all.zip",
        f"/sets/{SET}/files/{typed}", f"/sets/{SET}/paper/{typed}", f"/cases?find={typed}",
        f"/rods?identifier={typed}", f"/between/{CASE}?percent={typed}",
        f"/between/{CASE}?low={typed}&high={typed}&count={typed}", f"/sign-in?to={typed}",
        f"/between/{CASE}?low=50&high=60&count={typed}", f"/cases/{CASE}?done={typed}",
        f"/trial/{typed}", f"/proposals/{typed}",
        f"/trial/{CASE}?left={typed}&left_seen=too_long&left_by={typed}&right_seen=meets"
        f"&date={typed}&read_to={typed}&correct={typed}",
    ):
        assert looking.get(path).status_code < 500, path
    token = token_in(looking.get("/cases"))
    sent = {"token": token, **dict.fromkeys(("rod", "state", "date", "note", "unreleased"), text)}
    assert looking.post(f"/told/{CASE}", data=sent).status_code in (404, 409, 422)
    sent = {"token": token, **dict.fromkeys(("low", "high", "count", "percent"), text)}
    assert looking.post(f"/between/{PARALLEL}", data=sent).status_code in (409, 422)
    assert filled[0].read_bytes() == before


def test_the_pair_in_the_mouth_comes_out_for_another(browser, ledger, rods):
    token = token_in(browser.get(f"/cases/{CASE}"))
    sent = {"token": token, "rod": rods[2:4], "state": "fitted"}
    refused = browser.post(f"/told/{CASE}", data=sent)
    assert refused.status_code == 409
    assert "say under “The pair in the mouth comes out”" in words(refused)
    page = browser.post(f"/told/{CASE}", data={**sent, "instead": "1"})
    assert "In the mouth 2 rods" in words(page)
    with look_into(str(ledger)) as reader:
        assert [reader.find(rod).state for rod in rods[:4]] == [
            "delivered", "delivered", "fitted", "fitted"
        ]


def test_a_place_that_is_empty_says_so_and_leads_on(browser, rods, still):
    token = token_in(browser.get(f"/cases/{CASE}"))
    sent = {"token": token, "state": "returned", "rod": rods[:2]}
    told = browser.post(f"/told/{CASE}", data=sent)
    assert "no rods set 1, step 1; nothing is in circulation" in words(told)
    assert f'name="rod" value="{rods[0]}"' in told.text  # to be delivered again
    page = browser.post(f"/told/{CASE}", data={**sent, "state": "lost"})
    assert f'href="/rods/{rods[0]}#anew"' in page.text
    assert "Make it once more" in words(browser.get(f"/rods/{rods[0]}"))
    path, asked = f"/rods/{rods[0]}/anew", {"token": token, "reason": "lost on a journey"}
    without = words(browser.post(path, data={**asked, "reason": ""}))
    assert "say under “Why” why the rod is made once more" in without
    assert "is delivered; one that is lost" in words(
        browser.post(f"/rods/{rods[2]}/anew", data=asked)
    )
    answer = browser.post(path, data=asked, follow_redirects=False)
    assert answer.headers["location"].startswith("/jobs/")
    assert len(still) == 1


def test_a_set_leaves_the_lab_at_once(browser, ledger, rods):
    page = browser.get(f"/cases/{CASE}")
    form = page.text.partition("Deliver its 6 rods")[0].rpartition("<form")[2]
    listed = re.findall(r'name="rod" value="(\d+)"', form)
    assert listed == rods[4:]
    sent = {"token": token_in(page), "state": "delivered", "rod": listed}
    refused = browser.post(f"/told/{CASE}", data=sent)
    assert "is not released" in words(refused)
    told = browser.post(f"/told/{CASE}", data={**sent, "unreleased": "for training"})
    assert "Clinic or wearer 9 rods" in words(told)
    assert words(told).count("Recorded as entry") == 6


def test_the_case_sheet_of_today_is_a_paper_and_noted_when_printed(browser, ledger):
    sheet = browser.get(f"/sheet/{CASE}")
    assert sheet.content.startswith(b"%PDF")
    assert sheet.headers["x-frame-options"] == "SAMEORIGIN"
    page = browser.get(f"/cases/{CASE}")
    entry = re.search(r'name="entry" value="(\d+)"', page.text)[1]
    sent = {"token": token_in(page), "entry": entry}
    told = browser.post(f"/sheet/{CASE}", data=sent)
    assert "case sheet printed, true as of entry 9" in words(told)
    assert browser.post(f"/sheet/{CASE}", data=sent).status_code == 409
    assert browser.get("/sheet/QF-9").status_code == 404


def test_the_guide_is_read_in_the_browser(looking):
    listed = looking.get("/guide").text
    for topic in TOPICS:
        assert f'href="/guide/{topic}"' in listed
        shown = looking.get(f"/guide/{topic}")
        assert shown.status_code == 200
        assert f"<h1>{title(topic)}</h1>" in shown.text
        assert "&lt;!--" not in shown.text
    assert looking.get("/guide/frame.svg").headers["content-type"] == "image/svg+xml"
    assert looking.get("/guide/nothing").status_code == 404
