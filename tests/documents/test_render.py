"""The typesetting of every document: data stays data, same bytes, tagged, own fonts."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest
from fontTools.ttLib import TTFont
from matplotlib.ft2font import FT2Font, LoadFlags
from PIL import Image

from labkit.catalog.places import templates_dir
from labkit.catalog.profiles import Logo, Paper, Profile, default_profile
from labkit.catalog.texts import english_texts
from labkit.core.cautions import CAUTIONS
from labkit.documents import case_sheet
from labkit.documents.glyphs import FONTS, advances, fonts_dir, showable
from labkit.documents.papers import PAPERS, wearers_facts, write_documents
from labkit.documents.render import compile_pdf, page_images
from labkit.errors import DeliveryError, InputError
from tests.documents.pdfs import page_sizes_mm, reader, squeezed, text_of
from tests.documents.samples import HOSTILE, fourteen_steps, hostile, sample_spec, six_steps
from tests.support.prescriptions import SMALLEST, changed

ROOT = Path(__file__).parents[2]
#: One page that prints a fact; stands in for a lab's own template.
PLAIN = (
    '#import "common.typ": *\n#show: frame.with(title: "Plain")\n#headline("Plain")\n'
    "#own-words(facts.words)\n"
)
BROKEN = PLAIN.replace("#own-words(facts.words)\n", "\n#nothing-of-that-name\n")
RED_SQUARE_SVG = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm" viewBox="0 0 20 20">'
    b'<rect width="20" height="20" fill="#ff0000"/></svg>'
)


def plain(words: str, **profile: object) -> bytes:
    facts = {"case": "QF-1", "revision": 1, "date": "2031-03-14", "words": words}
    lab = dataclasses.replace(Profile(documents={"wearers-page.typ": PLAIN}), **profile)
    return compile_pdf("wearers-page.typ", facts, lab)


@pytest.mark.parametrize(
    "words",
    [
        "#strong[x]", "#import \"x\"", "*bold* _it_", "$x^2$", "`raw`", "@ref", "<label>",
        "\\ \\u{41}", "// not a comment", "/* neither */", "= no heading", "- no list", "+ 1. 2.",
        "{case} {page}", "\"straight\" 'quotes'", "a -- b --- c ...", "https://example.org/#x",
        "~", "]", ")#", "&lt;",
        "100 % ± 0.1 × −5 ≤ σ", "Größe, façade, Łódź, Ελλάδα, Кириллица, Tiếng Việt",
    ],
)
def test_text_appears_as_it_was_typed(words):
    assert squeezed(words) in squeezed(text_of(plain(words)))


@pytest.mark.parametrize("words", ["中文測試", "日本語テスト", "한국어", "हिन्दी", "ไทย"])
def test_other_scripts_are_printed_in_fonts_of_the_repository(words):
    pdf = plain(words)
    assert "U+" not in text_of(pdf)
    fonts = reader(pdf).pages[0]["/Resources"]["/Font"]
    own = {name for path in fonts_dir().glob("*.ttf") for name in [path.stem.replace("-", "")]}
    for font in fonts.values():
        base = font.get_object()["/BaseFont"].split("+")[1].split("-Identity")[0].replace("-", "")
        assert any(base in name or name in base for name in own), base


def test_right_to_left_text_keeps_its_letters_and_turns_nothing_else():
    text = text_of(plain("abc שלום العربية def"))
    assert sorted(set("שלום")) == sorted(set(text) & set("שלום"))
    assert text.index("abc") < text.index("def")


def test_what_no_font_has_or_what_turns_lines_is_printed_as_its_code_point():
    text = text_of(plain("a\U0010fffdb\u202ec\u2067d e\x00f\ufe0f"))
    assert "a⟨U+10FFFD⟩b⟨U+202E⟩c⟨U+2067⟩de⟨U+0000⟩f⟨U+FE0F⟩" in squeezed(text)


@pytest.mark.parametrize("words", [
    "🙂", "👍", "👍🏽", "❤️", "✂️", "☎️", "👩‍👩‍👧", "👩🏽‍🚀", "🏴‍☠️", "🇫🇷", "1️⃣", "a🦷b ✓ ☐",
])
def test_emoji_appear_literally(words):
    pdf = plain(f"x{words}x")
    text = squeezed(text_of(pdf))
    assert f"x{squeezed(words)}x" in text
    assert "U+" not in text


def test_a_word_longer_than_the_line_is_broken_and_lost_nowhere():
    word = "W" * 400
    pdf = plain(word)
    assert squeezed(text_of(pdf)).count("W") == 400
    wide = 0.0

    def visit(text, _cm, matrix, _font, size):
        nonlocal wide
        if "W" in text:
            wide = max(wide, matrix[4])

    reader(pdf).pages[0].extract_text(visitor_text=visit)
    assert wide < 210 / 25.4 * 72


def test_characters_and_widths_are_those_that_another_font_reader_finds():
    """FreeType, as matplotlib has it, reads the same fonts."""
    shown = set()
    for path in fonts_dir().glob("*.ttf"):
        face, own = FT2Font(path), advances(path.stem)
        assert set(own) == set(face.get_charmap()), path
        shown |= set(own)
        for code in sorted(own)[:: max(1, len(own) // 100)]:
            glyph = face.load_char(code, flags=LoadFlags.NO_SCALE)
            assert own[code] == pytest.approx(
                glyph.horiAdvance / face.units_per_EM, abs=1e-9
            ), (path, code)
    assert {code for name in FONTS for code in advances(name)} == shown
    assert {ord("a"), ord("−"), ord("☐"), 0x4E2D, 0xD55C} <= shown


def test_showable_leaves_numbers_and_names_alone():
    assert showable({"a\u202e": [1, None, "x\r\ny"]}) == {"a\u202e": [1, None, "x\ny"]}


@pytest.mark.parametrize("paper", PAPERS, ids=lambda p: p.name)
def test_documents_are_tagged_pdf_ua_with_title_language_and_the_prescriptions_date(paper):
    pdf = compile_pdf(paper.template, paper.facts(sample_spec()), default_profile())
    document = reader(pdf)
    root = document.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"].value is True
    assert root["/StructTreeRoot"]["/K"]
    assert root["/Lang"] == "en"
    assert b"pdfuaid:part>1<" in root["/Metadata"].get_data()
    assert document.metadata.title.endswith("QF-1043")
    assert document.metadata["/CreationDate"].startswith("D:20310314")


@pytest.mark.parametrize("paper", PAPERS, ids=lambda p: p.name)
def test_only_fonts_of_the_repository_are_embedded(paper):
    pdf = compile_pdf(paper.template, paper.facts(sample_spec()), default_profile())
    for page in reader(pdf).pages:
        for font in page["/Resources"]["/Font"].values():
            inner = font.get_object()["/DescendantFonts"][0].get_object()
            assert "Noto" in inner["/BaseFont"]
            assert {"/FontFile2", "/FontFile3"} & set(inner["/FontDescriptor"])


def test_paper_is_a4_or_us_letter():
    assert page_sizes_mm(plain("x")) == {(210.0, 297.0)}
    assert page_sizes_mm(plain("x", paper=Paper.US_LETTER)) == {(215.9, 279.4)}


def test_the_lab_stands_at_the_head_with_its_logo():
    named = {"name": "Harrow & Lane #1", "address": ("12 *Harrow* Lane", "Anytown")}
    pdf = plain("x", **named, logo=Logo("svg", RED_SQUARE_SVG))
    text = squeezed(text_of(pdf))
    assert squeezed("Harrow & Lane #1") in text
    assert squeezed("12 *Harrow* Lane") in text
    assert reader(pdf).metadata.author == "Harrow & Lane #1"
    assert _red(_drawn("x", logo=Logo("svg", RED_SQUARE_SVG))) > 100
    assert _red(_drawn("x")) == 0


def test_a_png_logo_is_printed(tmp_path):
    Image.new("RGB", (40, 20), (255, 0, 0)).save(tmp_path / "logo.png")
    logo = Logo("png", (tmp_path / "logo.png").read_bytes())
    assert _red(_drawn("x", logo=logo)) > 100


def test_a_labs_own_template_is_used():
    facts = wearers_facts(sample_spec())
    lab = Profile(documents={"wearers-page.typ": PLAIN.replace("facts.words", '"Our own page"')})
    assert "Our own page" in text_of(compile_pdf("wearers-page.typ", facts, lab))


def test_a_broken_template_of_a_lab_is_told_with_file_and_line():
    lab = Profile(documents={"wearers-page.typ": BROKEN})
    with pytest.raises(InputError) as caught:
        compile_pdf("wearers-page.typ", wearers_facts(sample_spec()), lab)
    assert str(caught.value) == (
        "wearers-page.typ:5: the document template wearers-page.typ cannot be set: unknown "
        "variable: nothing-of-that-name; correct the lab's own copy, or leave it out to use the "
        "program's"
    )


def test_a_logo_that_is_cut_short_is_told():
    lab = Profile(logo=Logo("png", b"\x89PNG\r\n\x1a\n\x00\x00"))
    with pytest.raises(InputError, match="check that the logo of the lab profile opens"):
        compile_pdf("wearers-page.typ", wearers_facts(sample_spec()), lab)


def test_notes_of_two_thousand_characters_are_printed_whole():
    note = " ".join(f"word{n}" for n in range(240))
    spec = sample_spec(changed(SMALLEST, ("date = ", f'notes = "{note}"\ndate = ')))
    pdf = compile_pdf("case-sheet.typ", case_sheet.facts(spec), default_profile())
    assert squeezed(note) in _without_frames(pdf)


WIDE_LOGO = Logo("svg", RED_SQUARE_SVG.replace(b'width="20mm" height="20mm" viewBox="0 0 20 20"',
                                               b'width="60mm" height="10mm" viewBox="0 0 60 10"'))
BENCH = ("12 Harrow Lane", "Unit 4", "Anytown AB1 2CD", "Phone 0100 555 010")
#: Logo, name, address, case: all within what a profile and a prescription may say.
HEADS = {
    "nothing": (None, "", (), "QF-1"),
    "short": (WIDE_LOGO, "Harrow Lane Bench", BENCH, "QF-1"),
    "long case": (WIDE_LOGO, "Harrow Lane Bench", BENCH, "WMQ8" * 10),
    "widest": (WIDE_LOGO, "W" * 80, ("W" * 80,) * 4, "W" * 40),
    "many words": (None, "Long Lane " * 8, ("Long Lane " * 8,) * 4, "W" * 40),
    "tall logo": (Logo("svg", RED_SQUARE_SVG), "Harrow Lane Bench", BENCH, "M" * 30),
}


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("flipped", [False, True])
@pytest.mark.parametrize("name", HEADS)
def test_any_letterhead_stays_between_the_edge_and_the_body(name, flipped, paper):
    logo, lab_name, address, case = HEADS[name]
    template = PLAIN.replace('"Plain")', f'"Plain", flipped: {str(flipped).lower()})', 1)
    lab = Profile(
        name=lab_name, address=address, logo=logo, paper=paper,
        documents={"wearers-page.typ": template},
    )
    facts = {"case": case, "revision": 10, "date": "2031-03-14", "words": "x"}
    text = squeezed(text_of(compile_pdf("wearers-page.typ", facts, lab)))
    for words in (lab_name, *address, case, "2031-03-14"):
        assert squeezed(words) in text
    per_mm = 100 / 25.4
    page = page_images("wearers-page.typ", facts, lab, ppi=100)[0]
    ink = np.asarray(Image.open(io.BytesIO(page)).convert("L")) < 200
    side = int(17.5 * per_mm)
    assert not ink[:, :side].any()
    assert not ink[:, -side:].any()
    assert not ink[: int(7 * per_mm)].any()
    # The rule under the head runs across the page; the title starts below a clear strip.
    across = ink[:, side + 4 : -side - 4].all(axis=1)
    rule = int(np.flatnonzero(across)[0])
    end = rule + int(np.flatnonzero(~across[rule:])[0])
    assert not ink[end + 2 : end + int(4 * per_mm)].any()
    assert ink[end + int(4 * per_mm) :].any()


@pytest.mark.parametrize("paper", list(Paper))
def test_a_long_word_in_a_title_breaks_and_leaves_the_caution_its_room(paper):
    long = "Zahntechnik" * 12
    template = PLAIN.replace('"Plain"', f'"Die {long} heute"')
    facts = {"case": "QF-1", "revision": 1, "date": "2031-03-14", "words": "x"}
    lab = Profile(paper=paper, documents={"wearers-page.typ": template})
    pdf = compile_pdf("wearers-page.typ", facts, lab)
    text = squeezed(text_of(pdf))
    assert text.count(long) == 2  # headline and foot
    assert squeezed(english_texts().tables["frame"]["short_caution"]) in text
    page = page_images("wearers-page.typ", facts, lab, ppi=100)[0]
    ink = np.asarray(Image.open(io.BytesIO(page)).convert("L")) < 200
    side, low = int(17.5 * 100 / 25.4), int(5 * 100 / 25.4)
    assert not ink[:, :side].any()
    assert not ink[:, -side:].any()
    assert not ink[-low:].any()


def test_a_template_reads_no_file_outside_its_folder(tmp_path):
    (tmp_path / "secret.txt").write_text("secret")
    lab = Profile(documents={"wearers-page.typ": f'#read("{tmp_path}/secret.txt")'})
    with pytest.raises(InputError, match="wearers-page.typ"):
        compile_pdf("wearers-page.typ", wearers_facts(sample_spec()), lab)


def test_hostile_words_reach_every_document_literally():
    spec = sample_spec(hostile())
    pdf = compile_pdf("case-sheet.typ", case_sheet.facts(spec), default_profile())
    text = squeezed(text_of(pdf))
    first = HOSTILE.split("\n")[0]
    assert squeezed(first) in text
    assert squeezed("#emph[x] $y$") in text
    assert squeezed("#a*b_c$d{e}") in text
    for part in ("中文", "日本語", "한국어", "🙂end"):
        assert part in text


def test_same_bytes_in_other_processes(tmp_path):
    spec = tmp_path / "spec.json"
    spec.write_text(json.dumps(sample_spec(hostile())), "utf-8")
    code = (
        "import json, sys, pathlib\n"
        "from labkit.documents.papers import write_documents\n"
        "spec = json.loads(pathlib.Path(sys.argv[1]).read_text('utf-8'))\n"
        "out = pathlib.Path(sys.argv[2])\n"
        "write_documents(spec, out, {}, lambda name: None)\n"
    )
    digests = []
    for seed, zone in (("0", "UTC"), ("4711", "Pacific/Auckland")):
        out = tmp_path / f"deep/{seed}"
        subprocess.run(
            [sys.executable, "-c", code, str(spec), str(out)], check=True, cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone},
        )
        files = sorted(out.rglob("*.*"))
        assert len(files) >= len(PAPERS)
        digests.append([(f.name, hashlib.sha256(f.read_bytes()).hexdigest()) for f in files])
    assert digests[0] == digests[1]


def test_write_documents_names_and_tells_every_file(tmp_path):
    told: list[str] = []
    write_documents(sample_spec(six_steps()), tmp_path, {}, told.append)
    assert {"case-sheet.pdf", "wearers-page.pdf"} <= set(told)
    assert sorted(told) == sorted(f.name for f in (tmp_path / "documents").iterdir())


def test_the_case_sheet_takes_all_cautions():
    spec = sample_spec()
    for paper in PAPERS[:1]:  # the wearer has a page of their own words, without the lab's
        pdf = compile_pdf(paper.template, paper.facts(spec), default_profile())
        for caution in CAUTIONS:
            assert squeezed(caution) in squeezed(text_of(pdf))


def test_licences_lie_beside_the_fonts_and_the_folder_stays_small():
    files = list(fonts_dir().iterdir())
    assert {"LICENCE-OFL-1.1.txt", "LICENCE-Apache-2.0.txt"} <= {f.name for f in files}
    assert sum(f.stat().st_size for f in files) < 12_000_000
    listed = (fonts_dir() / "README.md").read_text("utf-8")
    for font in fonts_dir().glob("*.ttf"):
        assert font.name in listed or font.name.startswith("Noto")
        with TTFont(font, lazy=True) as opened:
            said = opened["name"].getDebugName(13) or ""
        # Each font says in itself under which of the two licences it is given.
        assert any(name in said for name in ("SIL Open Font License, Version 1.1",
                                             "Apache License, Version 2.0")), font.name


def test_what_is_copied_from_a_page_has_no_characters_of_our_own():
    """Case numbers that had to be broken are copied as they are, but for the end of the line."""
    for text in (six_steps(), hostile(), fourteen_steps()):
        spec = sample_spec(text)
        for paper in PAPERS:
            shown = paper.pictures(spec) if paper.pictures and spec["parts"] else {}
            pdf = compile_pdf(paper.template, paper.facts(spec), default_profile(), shown)
            copied = text_of(pdf)
            assert "\u200b" not in copied, paper.name
            assert squeezed(spec["case"]) in squeezed(copied), paper.name


def test_no_template_loads_packages_or_names_the_outside():
    for path in (templates_dir() / "documents").glob("*.typ"):
        assert "@preview" not in path.read_text("utf-8")


def _without_frames(pdf: bytes) -> str:
    """Text without what the frame repeats on every page."""
    pages = [page.extract_text().splitlines() for page in reader(pdf).pages]
    repeated = set(pages[0]) & set(pages[1]) if len(pages) > 1 else set()
    foot = "Page "
    return squeezed(" ".join(
        line for page in pages for line in page if line not in repeated and foot not in line
    ))


def _drawn(words: str, **profile: object) -> bytes:
    facts = {"case": "QF-1", "revision": 1, "date": "2031-03-14", "words": words}
    lab = dataclasses.replace(Profile(documents={"wearers-page.typ": PLAIN}), **profile)
    return page_images("wearers-page.typ", facts, lab, ppi=60)[0]


def _red(png: bytes) -> int:
    red, green, blue = np.moveaxis(np.asarray(Image.open(io.BytesIO(png)).convert("RGB")), -1, 0)
    return int(((red > 200) & (green < 60) & (blue < 60)).sum())


def test_a_folder_for_temporary_files_that_takes_none_is_named(monkeypatch, tmp_path):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "gone"))
    with pytest.raises(DeliveryError, match=r"temporary files, .*/gone, cannot be .* with TMPDIR"):
        plain("words")
