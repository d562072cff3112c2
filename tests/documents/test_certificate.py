"""The certificate of inspection: what it says is what the release rests on."""

from __future__ import annotations

import io
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
import zxingcpp
from PIL import Image

from labkit.catalog.profiles import Paper, default_profile
from labkit.core.case.identifier import grouped
from labkit.documents import certificate
from labkit.documents.render import compile_pdf, page_images
from labkit.qa.decision.conformance import DECISION_RULE
from tests.documents.pdfs import page_sizes_mm, reader, squeezed, text_of
from tests.documents.samples import HOSTILE, fourteen_steps, sample_spec, six_steps
from tests.support.certificates import BUDGET, release_of

#: A table's head as the text of a page gives it.
HEAD = squeezed("Rod Step Side Label as read Nominal M Readings Length u k U Acceptance P")


def pixels(png):
    return np.array(Image.open(io.BytesIO(png)).convert("L"))


def pdf_of(spec, release, paper=Paper.A4):
    profile = replace(default_profile(), paper=paper)
    return compile_pdf(certificate.TEMPLATE, certificate.facts(spec, release), profile,
                       certificate.pictures(release))


def test_every_rod_stands_there_with_what_decides_on_it():
    spec = sample_spec(six_steps())
    release = release_of(spec)
    text = squeezed(text_of(pdf_of(spec, release)))
    assert len(release.basis["rods"]) == 12
    for rod in release.basis["rods"]:
        lower, upper = (Decimal(repr(end)) for end in rod["acceptance_mm"])
        row = (
            f"{grouped(rod['identifier'])} {rod['step']} {rod['side']} {rod['label']} "
            f"{rod['label_read']} {rod['length_mm']} ±{rod['tolerance_mm']} A "
            f"{', '.join(rod['readings_mm'])} {rod['measured_mm']:.3f} 0.0093 1.96 0.0183 "
            f"{lower:.3f} to {upper:.3f} 99.87 % yes conforms"
        )
        assert squeezed(row) in text
    for words in (
        DECISION_RULE, "ISO 14253-1", "JCGM 106", "12 rods, every one conforms", "kim, 2031-03-22",
        "mo, 2031-03-20", "lee, 2031-03-21", "2031-09-30", "Outside micrometer (m-7)", "20.5 °C",
        "B-07", "m-7: certificate 4471.", "This release is entry 16 of", "ab12" * 16,
        "Over gauge pins in both bores, gauge pins 2.50 mm", "Resolution B 0.0003 infinite",
        "Repeatability A 0.0023 24", "5070 degrees of freedom", "The steps of the left side are",
        "−0.012 0.0131 ±0.15 > 99.99 % conforms", "keep rods away from children",
        "Measured and released by different persons.",
    ):
        assert squeezed(words) in text, words
    assert squeezed("Replacement rods") not in text


def test_limits_and_probability_are_rounded_to_the_careful_side():
    """Printed limits lie inside the true ones; a probability is never more certain than it is."""
    spec = sample_spec(six_steps())
    changes = {"acceptance_mm": [35.76500001, 36.03599999], "conformance_probability": 0.9599999}
    row = certificate.facts(spec, release_of(spec, each=lambda *_: changes))["rods"][0]
    assert row["acceptance"] == "35.766 to 36.035"
    assert row["probability"] == "95.99 %"


def test_rods_measured_alike_share_a_letter():
    spec = sample_spec(six_steps())
    scan = {
        "way": "scan", "instrument": None, "gauge_pins_mm": None, "readings_mm": [],
        "temperature_c": None, "measured_by": None, "measured_on": None, "checked_by": None,
        "checked_on": None, "material_lot": None, "source": {"file": "rod.stl"}, "u_mm": 0.012,
    }

    def each(number, _):
        return {3: scan, 4: {"instrument": None}, 5: {"temperature_c": 21}}.get(number, {})

    facts = certificate.facts(spec, release_of(spec, each=each))
    letters = "".join(row["measurement"] for row in facts["rods"])
    assert letters == "AAABCDAAAAAA"
    ways = {one["letter"]: (one["way"], one["instrument"]) for one in facts["measurements"]}
    assert ways["B"] == ("On a scan of the rod", "–")
    assert ways["C"][1] == "The lab's usual gauge, by the process"
    assert [one["source"] for one in facts["measurements"]] == ["", "rod.stl", "", ""]
    assert [one["letters"] for one in facts["budgets"]] == ["A, D", "B", "C"]
    assert facts["rods"][3]["readings"] == "–"
    text = squeezed(text_of(pdf_of(spec, release_of(spec, each=each))))
    assert squeezed("B On a scan of the rod – – – – – – rod.stl") in text


def test_replaced_rods_are_named_with_why():
    spec = sample_spec(six_steps())
    old = {"identifier": "4829173065", "set": "QF-1043-r1", "state": "rejected",
           "reason": "0.3 mm too long"}

    def each(number, _):
        return {"replaced": [old], "set": "QF-1043-r2"} if number == 4 else {}

    release = release_of(spec, each=each)
    text = squeezed(text_of(pdf_of(spec, release)))
    new = grouped(release.basis["rods"][4]["identifier"])
    row = f"{new} step 3, left QF-1043-r2 482 917 3065 QF-1043-r1 rejected: 0.3 mm too long"
    assert squeezed(row) in text


EYES = {
    "different": ({}, "Measured and released by different persons."),
    "one hand": (
        {"measured_by": "kim", "checked_by": None},
        "Measured and released by one person, kim; nobody else is named as having checked.",
    ),
    "one hand, checked": (
        {"measured_by": "kim"},
        "kim both measured and released; the readings were checked by another person.",
    ),
    "nobody named": (
        {"measured_by": None, "checked_by": None, "recorded": {"event": 7, "by": "kim", "at":
         "2031-03-20T09:00:00.000000Z"}},
        "Measured and released by one person, kim; nobody else is named as having checked.",
    ),
}


def test_a_rod_that_nobody_else_checked_does_not_pass_as_checked():
    spec = sample_spec()
    own = {"measured_by": "kim", "checked_by": None}
    for others in ({"checked_by": None}, {}):
        release = release_of(spec, each=lambda at, _, o=others: own if at == 1 else o)
        told = certificate.facts(spec, release)["eyes"]
        assert told == (
            f"kim released the set and also measured 1 of its {len(release.basis['rods'])} rods "
            "that nobody else is named as having checked."
        )


@pytest.mark.parametrize("name", EYES)
def test_whether_one_person_did_all_of_it_is_said(name):
    changes, sentence = EYES[name]
    spec = sample_spec()
    facts = certificate.facts(spec, release_of(spec, each=lambda *_: changes))
    assert facts["eyes"] == sentence
    checked = dict(facts["signed"])["Checked by"]
    assert (checked == "nobody named") is (changes.get("checked_by", "") is None)


@pytest.mark.parametrize(
    ("paper", "size"), [(Paper.A4, (297.0, 210.0)), (Paper.US_LETTER, (279.4, 215.9))]
)
def test_many_rods_take_several_pages_with_the_head_on_each(paper, size):
    """Fourteen steps of a case with a number of 40 characters."""
    spec = sample_spec(fourteen_steps())
    many = {"readings_mm": ["38.408"] * 30}
    release = release_of(spec, each=lambda number, _: many if number % 2 else {})
    pdf = pdf_of(spec, release, paper)
    assert page_sizes_mm(pdf) == {size}
    pages = [squeezed(page.extract_text()) for page in reader(pdf).pages]
    for rod in release.basis["rods"]:
        (page,) = (p for p in pages if squeezed(f"{grouped(rod['identifier'])} {rod['step']}") in p)
        assert HEAD in page
    assert sum(HEAD in page for page in pages) > 1
    for number, page in enumerate(pages, 1):
        assert "WMQ8" * 10 in page
        assert squeezed(f"Certificate of inspection Page {number} of {len(pages)}") in page


@pytest.mark.parametrize("paper", Paper)
def test_an_ordinary_set_takes_two_pages(paper):
    """Six steps, one instrument with six components of uncertainty, a letterhead of four lines."""
    spec = sample_spec(six_steps())
    six = {"budget": BUDGET * 3, "source": {"file": "inspection-form.csv", "line": 2}}
    release = release_of(spec, each=lambda *_: six, notes=())
    lab = replace(
        default_profile(), paper=paper, name="A lab", address=("1 Street", "Town", "Phone", "Mail")
    )
    pdf = compile_pdf(certificate.TEMPLATE, certificate.facts(spec, release), lab,
                      certificate.pictures(release))
    assert len(reader(pdf).pages) == 2


def test_words_that_fill_pages_are_not_lost():
    """Twelve rods in place of others, each with a reason that takes many lines."""
    spec = sample_spec(six_steps())
    why = [f"reason {number} " + "crack beside the bore " * 20 + f"ends {number}!" for number in
           range(12)]

    def each(number, _):
        old = {"identifier": "4829173065", "set": "r1", "state": "rejected", "reason": why[number]}
        aside = {"event": 5, "at": "2031-03-20T09:00:00Z", "by": "mo", "length_mm": 36.2,
                 "result": "undecided", "reason": f"again {number} " + "doubt " * 60}
        return {"replaced": [old], "set_aside": [aside], "measured_by": "m" * 20,
                "checked_by": "k" * 20, "material_lot": "9" * 60}

    pages = reader(pdf_of(spec, release_of(spec, each=each))).pages
    text = squeezed("".join(page.extract_text() for page in pages))
    for number in range(12):
        for words in (f"reason {number} crack", f"ends {number}!", f"again {number} doubt"):
            assert squeezed(words) in text, words
    for page in pages:  # all of it lies above the foot of its page
        heights = []

        def note_height(words, cm, tm, *_, to=heights):
            if "crack" in words or "doubt" in words:
                to.append(tm[4] * cm[1] + tm[5] * cm[3] + cm[5])

        page.extract_text(visitor_text=note_height)
        assert min(heights, default=100.0) > 40.0


def test_it_is_accessible_and_the_same_every_time():
    spec = sample_spec()
    release = release_of(spec)
    pdf = pdf_of(spec, release)
    assert pdf == pdf_of(spec, release)
    found = reader(pdf)
    assert found.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert found.metadata.title == "Certificate of inspection QF-1043"
    assert b"pdfuaid" in found.trailer["/Root"]["/Metadata"].get_data()
    assert found.metadata.creation_date.date().isoformat() == "2031-03-22"  # of the release


def test_words_of_the_users_are_printed_literally():
    spec = sample_spec()
    words = HOSTILE.replace("\n", " ")
    old = {"identifier": "4829173065", "set": "#r1", "state": "rejected", "reason": words}
    changes = {"measured_by": "#m*o_", "material_lot": "[L]$x$", "replaced": [old]}
    release = release_of(spec, each=lambda *_: changes, note=words, notes=(words,))
    text = squeezed(text_of(pdf_of(spec, release)))
    for part in ("#strong[x] *bold* _it_ $x^2$ {case} {page}", "<b>&amp;</b>", "#m*o_", "[L]$x$"):
        assert squeezed(part) in text


def test_the_digest_is_read_from_the_file_and_from_the_code():
    """ISO/IEC 18004: a code of 64 characters is read back, here from the page as printed."""
    spec = sample_spec(six_steps())
    release = release_of(spec)
    assert certificate.digest_on(pdf_of(spec, release)) == release.digest
    pages = page_images(
        certificate.TEMPLATE, certificate.facts(spec, release), default_profile(),
        certificate.pictures(release), ppi=150,
    )
    codes = [code.text for page in pages for code in zxingcpp.read_barcodes(pixels(page))]
    assert codes == [release.digest.upper()]


def test_a_release_that_no_longer_stands_is_void_on_every_page():
    spec = sample_spec(six_steps())
    void = replace(release_of(spec), void=("a rod was rejected since",))
    for release, words in ((release_of(spec), 0), (void, 1)):
        pdf = compile_pdf(certificate.TEMPLATE, certificate.facts(spec, release),
                          default_profile(), certificate.pictures(release))
        pages = reader(pdf).pages
        assert len(pages) > 1
        assert all(page.extract_text().count("VOID") == words for page in pages)
