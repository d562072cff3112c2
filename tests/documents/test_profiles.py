"""Lab profiles and translated texts: every mistake with file and line, kept whole in the set."""

from __future__ import annotations

import base64
import dataclasses
import json
import re
from pathlib import Path

import pytest

from labkit.catalog.places import templates_dir
from labkit.catalog.profiles import (
    Paper,
    Projection,
    default_profile,
    profile_json,
    profile_of,
    read_profile,
)
from labkit.catalog.texts import english_texts, read_texts, texts_json, texts_of
from labkit.catalog.toml_source import parse_toml, read_text
from labkit.cli.sets.profile import open_profile
from labkit.core.cautions import CAUTIONS
from labkit.documents.papers import PAPERS, wearers_facts, write_documents
from labkit.documents.render import compile_pdf
from labkit.errors import InputError
from tests.documents.pdfs import page_sizes_mm, reader, squeezed, text_of
from tests.documents.samples import sample_spec

SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><path d="M0 0h9v9z"/></svg>'
#: The smallest PNG: one black pixel.
PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNgAAAAAgABSK+kcQAAAABJRU5ErkJggg=="
)
PROFILE = """\
schema = 1
name = "Harrow Lane Bench"
address = ["12 Harrow Lane", "Anytown"]
logo = "logo.svg"
paper = "us-letter"
projection = "third-angle"
texts = "texts-de.toml"
documents = "own"
"""


def english() -> str:
    return (templates_dir() / "documents" / "texts-en.toml").read_text("utf-8")


def german(text: str) -> str:
    return (
        text.replace('language = "en"', 'language = "de"')
        .replace('"Wearing your appliance"', '"So tragen Sie Ihre Schiene"')
        .replace('"Page {page} of {pages}"', '"Seite {page} von {pages}"')
        .replace(f'"{CAUTIONS[1]}"', '"Vorschriften für Sonderanfertigungen sind örtlich."')
    )


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    (tmp_path / "logo.svg").write_text(SVG, "utf-8")
    (tmp_path / "texts-de.toml").write_text(german(english()), "utf-8")
    (tmp_path / "own").mkdir()
    own = (templates_dir() / "documents" / "wearers-page.typ").read_text("utf-8")
    (tmp_path / "own" / "wearers-page.typ").write_text(own + "\nOur own closing line.\n", "utf-8")
    (tmp_path / "profile.toml").write_text(PROFILE, "utf-8")
    return tmp_path


def read(path: Path):
    return read_profile(parse_toml(read_text(path), str(path)))


def refused(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read(path)
    return str(caught.value)


def test_a_profile_is_read_with_the_files_it_names(lab):
    profile = read(lab / "profile.toml")
    assert profile.name == "Harrow Lane Bench"
    assert profile.address == ("12 Harrow Lane", "Anytown")
    assert (profile.paper, profile.projection) == (Paper.US_LETTER, Projection.THIRD_ANGLE)
    assert profile.logo is not None
    assert (profile.logo.kind, profile.logo.content) == ("svg", SVG.encode())
    assert profile.texts.language == "de"
    assert list(profile.documents) == ["wearers-page.typ"]


def test_a_png_logo_is_taken(lab):
    (lab / "logo.png").write_bytes(PNG)
    (lab / "profile.toml").write_text('schema = 1\nlogo = "logo.png"\n', "utf-8")
    logo = read(lab / "profile.toml").logo
    assert logo is not None
    assert (logo.kind, logo.content) == ("png", PNG)


def test_the_smallest_profile_is_the_default_one(tmp_path):
    (tmp_path / "profile.toml").write_text("schema = 1\n", "utf-8")
    assert read(tmp_path / "profile.toml") == default_profile()
    assert default_profile().paper is Paper.A4
    assert default_profile().projection is Projection.FIRST_ANGLE


def test_a_lab_of_one_person_says_so_once(lab):
    path = lab / "profile.toml"
    path.write_text("schema = 1\none_person = true\n", "utf-8")
    assert read(path).one_person
    kept = profile_json(read(path))
    assert profile_of({"profile": kept}).one_person
    assert "one_person" not in profile_json(default_profile())  # sets from before are the same
    path.write_text('schema = 1\none_person = "yes"\n', "utf-8")
    with pytest.raises(InputError, match="one_person = \"yes\" is not usable"):
        read(path)


def test_a_lab_that_keeps_no_lots_says_so_once(lab):
    path = lab / "profile.toml"
    path.write_text("schema = 1\nlot_asked = false\n", "utf-8")
    assert not profile_of({"profile": profile_json(read(path))}).lot_asked
    assert "lot_asked" not in profile_json(default_profile())


def test_a_lab_adds_what_it_looks_at(lab):
    path = lab / "profile.toml"
    path.write_text('schema = 1\nlook = ["Glossy"]\n', "utf-8")
    assert profile_of({"profile": profile_json(read(path))}).look == ("glossy",)
    assert "look" not in profile_json(default_profile())


def test_a_profile_survives_the_set(lab):
    profile = read(lab / "profile.toml")
    kept = json.loads(json.dumps({"profile": profile_json(profile)}, allow_nan=False))
    assert profile_of(kept) == profile
    assert profile_of({}) == default_profile()
    assert profile_of({"profile": profile_json(default_profile())}) == default_profile()


def test_papers_need_the_set_alone(lab, tmp_path):
    spec = sample_spec(profile=read(lab / "profile.toml"))
    for path in sorted(lab.rglob("*"), reverse=True):
        if path.is_file():
            path.unlink()
    out = tmp_path / "set"
    write_documents(spec, out, {}, lambda name: None)
    pdf = (out / "documents" / "wearers-page.pdf").read_bytes()
    text = text_of(pdf)
    assert "So tragen Sie Ihre Schiene" in text
    assert "Seite 1 von" in text
    assert "Our own closing line." in text
    # What concerns the lab stands on the clinic's sheet and not on the wearer's page.
    assert "Vorschriften für Sonderanfertigungen" not in text
    sheet = text_of((out / "documents" / "case-sheet.pdf").read_bytes())
    assert "Case sheet" in sheet
    assert "Harrow Lane Bench" in text
    assert page_sizes_mm(pdf) == {(215.9, 279.4)}
    assert reader(pdf).trailer["/Root"]["/Lang"] == "de"


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (('paper = "us-letter"', 'paper = "a5"'),
         'profile.toml:5: paper = "a5" is not usable; allowed is "a4" or "us-letter"'),
        (('projection = "third-angle"', "projection = 3"),
         'profile.toml:6: projection = 3 is not usable; allowed is "first-angle" or "third-angle"'),
        (("logo =", "logos ="),
         "profile.toml:4: logos is not a known key; did you mean `logo`?"),
        (("schema = 1", "schema = 2"), "profile.toml:1: schema = 2 is not usable; allowed is 1"),
        (('name = "Harrow Lane Bench"', 'name = " x"'),
         'profile.toml:2: name = " x" is not usable; allowed is text of 1 to 80 characters'),
        (('"Anytown"]', '"a", "b", "c", "d"]'),
         'profile.toml:3: address = ["12 Harrow Lane", "a", "b", "c", "d"] is not usable; '
         "allowed is a list of at most 4 texts"),
        (("logo.svg", "none.svg"),
         'profile.toml:4: logo = "none.svg" cannot be read (No such file or directory); name a '
         "PNG or SVG file beside the profile"),
        (("logo.svg", "texts-de.toml"),
         'profile.toml:4: logo = "texts-de.toml" is not a picture that can be printed; allowed '
         "is a PNG or SVG file"),
        (('documents = "own"', 'documents = "elsewhere"'),
         'profile.toml:8: documents = "elsewhere" holds no template (.typ); name a folder beside '
         "the profile with copies of the program's templates"),
        (("us-letter\"", "us-letter"), "profile.toml:5: is not valid TOML: "),
    ],
    ids=lambda v: v[1][:24] if isinstance(v, tuple) else "",
)
def test_a_broken_profile_is_told_with_file_line_and_what_is_allowed(lab, change, sentence):
    path = lab / "profile.toml"
    assert change[0] in PROFILE
    path.write_text(PROFILE.replace(*change), "utf-8")
    assert f"{lab}/{sentence}" in refused(path)


def test_a_template_of_another_name_is_told_with_the_nearest(lab):
    (lab / "own" / "wearer-page.typ").write_text("x", "utf-8")
    assert (
        "profile.toml:8: documents holds wearer-page.typ, which is not one of the program's "
        "templates; did you mean wearers-page.typ?"
    ) in refused(lab / "profile.toml")


def test_every_mistake_is_told_at_once(lab):
    text = PROFILE.replace("logo.svg", "none.svg").replace('"own"', '"elsewhere"')
    (lab / "profile.toml").write_text(text, "utf-8")
    (lab / "texts-de.toml").write_text("schema = 1\n", "utf-8")
    told = refused(lab / "profile.toml")
    assert [part in told for part in ("none.svg", "elsewhere", "language")] == [True] * 3


@pytest.mark.parametrize(
    ("change", "key", "sentence"),
    [
        (('language = "en"', 'language = "deutsch"'), "language",
         'language = "deutsch" is not usable; allowed is a language code such as "de"'),
        (('page = "Page {page} of {pages}"', 'page = "Seite {page}"'), "page =",
         'frame.page = "Seite {page}" does not have the places that the program fills in ({page}, '
         "{pages}); write each of them once, unchanged"),
        (('cautions = "Cautions"', 'caution = "Cautions"'), "caution =",
         "frame.caution is not a known key; did you mean `cautions`?"),
        (('cautions = "Cautions"\n', ""), "[frame]",
         'frame.cautions is missing; give a translation of "Cautions", or leave out the whole '
         "table [frame]"),
        (('title = "Case sheet"', "title = 3"), "title = 3",
         "case_sheet.title = 3 is not usable; allowed is text in quotes"),
        (('["loose", "good", "tight"]', '["lose", "gut"]'), "record_hold_choices",
         'case_sheet.record_hold_choices = ["lose", "gut"] is not usable; allowed is a list of 3 '
         "texts, in the order of the English"),
        (("[models]", "[model]"), "[model]",
         "model is not a known key; did you mean `models`?"),
        (("spans {span} mm", "spans {spam} mm"), "short_span",
         'findings.short_span = "the set spans {spam} mm of advancement; the professional d… does '
         "not have the places that the program fills in ({span}); write "
         "each of them once, unchanged"),
        (('title = "Case sheet"', 'title = ""'), 'title = ""',
         'case_sheet.title = "" is not usable; allowed is text of 1 to 600 characters'),
    ],
    ids=lambda v: v[1][:24] if isinstance(v, tuple) else "",
)
def test_a_broken_texts_file_is_told_with_file_line_and_what_is_allowed(change, key, sentence):
    assert change[0] in english()
    text = english().replace(*change, 1)
    line = next(n for n, row in enumerate(text.splitlines(), 1) if row.startswith(key))
    with pytest.raises(InputError) as caught:
        read_texts(parse_toml(text, "texts-de.toml"))
    assert f"texts-de.toml:{line}: {sentence}" in str(caught.value)


def test_what_findings_and_standing_lack_stays_english_and_is_named(lab, capsys):
    text = german(english())
    for key in ("short_span", "lost"):
        text = re.sub(rf"(?m)^{key} = .*\n", "", text)
    (lab / "texts-de.toml").write_text(text, "utf-8")
    texts = open_profile(str(lab / "profile.toml")).texts
    assert texts.missing == ("standing.lost", "findings.short_span")
    assert texts.tables["standing"]["lost"] == "lost"
    told = " ".join(capsys.readouterr().err.split())
    assert "lack standing.lost, findings.short_span; these words stay English" in told


def test_a_table_that_is_left_out_stays_english():
    text = 'schema = 1\nlanguage = "de"\n' + german(english()).split("language = \"de\"")[1]
    only = text.split("[case_sheet]")[0] + "[wearers_page]" + text.split("[wearers_page]")[1]
    texts = read_texts(parse_toml(only, "texts-de.toml"))
    assert texts.tables["wearers_page"]["title"] == "So tragen Sie Ihre Schiene"
    assert texts.tables["case_sheet"] == english_texts().tables["case_sheet"]


def test_the_english_file_is_its_own_valid_translation():
    assert read_texts(parse_toml(english(), "texts-en.toml")) == english_texts()


def test_words_newer_than_a_set_come_from_the_program():
    kept = texts_json(english_texts())
    del kept["tables"]["frame"]["page"]
    kept["tables"]["frame"]["case"] = "Fall"
    texts = texts_of(kept)
    assert texts.tables["frame"]["case"] == "Fall"
    assert texts.tables["frame"]["page"] == "Page {page} of {pages}"


def test_cautions_of_the_texts_are_those_of_the_program():
    assert english_texts().tables["cautions"]["lines"] == CAUTIONS


def test_cautions_are_translated_sentence_by_sentence():
    texts = read_texts(parse_toml(german(english()), "texts-de.toml"))
    assert texts.translated([CAUTIONS[1], "A caution of a later program."]) == [
        "Vorschriften für Sonderanfertigungen sind örtlich.", "A caution of a later program.",
    ]


def test_cautions_of_an_older_set_are_translated_too():
    """They had other words then, in the same order."""
    texts = read_texts(parse_toml(german(english()), "texts-de.toml"))
    older = [f"An older wording of {number}." for number, _ in enumerate(CAUTIONS)]
    assert texts.translated(older) == list(texts.tables["cautions"]["lines"])


def test_a_right_to_left_translation_is_set_from_the_right():
    text = english().replace('language = "en"', 'language = "he"').replace(
        '"Putting it in"', '"הכנסה"'
    )
    texts = read_texts(parse_toml(text, "texts-he.toml"))
    spec = sample_spec()
    profile = dataclasses.replace(default_profile(), texts=texts)
    pdf = compile_pdf("wearers-page.typ", wearers_facts(spec), profile)
    starts: dict[str, float] = {}

    def visit(text, cm, matrix, _font, _size):
        starts.setdefault(squeezed(text), cm[0] * matrix[4] + cm[4])

    reader(pdf).pages[0].extract_text(visitor_text=visit)
    at = next(x for words, x in starts.items() if set("הכנסה") <= set(words))
    assert at > 300  # points; the left margin is at 51


def drawn(spec, paper):
    pictures = paper.pictures(spec) if paper.pictures else {}
    return compile_pdf(paper.template, paper.facts(spec), profile_of(spec), pictures)


@pytest.mark.parametrize("paper", PAPERS, ids=lambda p: p.name)
def test_a_page_is_said_to_be_in_the_language_of_its_words(lab, paper):
    """Papers that have no table in the texts file are English, frame and cautions too."""
    text = german(english()).replace('title = "Case sheet"', 'title = "Fallblatt"')
    (lab / "texts-de.toml").write_text(text, "utf-8")
    spec = sample_spec(profile=read(lab / "profile.toml"))
    pdf = drawn({**spec, "plates": []}, paper)
    german_page = paper.name in ("case-sheet", "wearers-page")
    assert reader(pdf).trailer["/Root"]["/Lang"] == ("de" if german_page else "en")
    text = text_of(pdf)
    assert ("Seite 1 von" in text) == german_page
    assert ("Vorschriften für Sonderanfertigungen" in text) == (paper.name == "case-sheet")


def test_a_document_whose_table_was_left_out_is_english_throughout(lab):
    text = german(english())
    head, rest = text.split("\n[case_sheet]\n")
    tail = rest[rest.index("\n[wearers_page]\n") :]
    (lab / "texts-de.toml").write_text(head + tail, "utf-8")
    spec = sample_spec(profile=read(lab / "profile.toml"))
    pdf = drawn(spec, next(paper for paper in PAPERS if paper.name == "case-sheet"))
    assert reader(pdf).trailer["/Root"]["/Lang"] == "en"
    assert "Page 1 of" in text_of(pdf)
    assert CAUTIONS[1] in " ".join(text_of(pdf).split())


def test_findings_on_a_translated_case_sheet_are_said_to_be_english(lab):
    text = german(english()).replace('title = "Case sheet"', 'title = "Fallblatt"')
    (lab / "texts-de.toml").write_text(text, "utf-8")
    spec = sample_spec(profile=read(lab / "profile.toml"))
    spec["lengths"]["findings"] = [
        {"code": "x", "severity": "note", "message": "an English finding", "where": ""}
    ]
    pdf = drawn(spec, next(paper for paper in PAPERS if paper.name == "case-sheet"))
    assert "n English finding." in text_of(pdf)
    root = reader(pdf).trailer["/Root"]
    assert "en" in set(languages(root["/StructTreeRoot"]))


def languages(element):
    """Languages that parts of a page are said to be in, through the tree of its structure."""
    here = element.get_object()
    if isinstance(here, list):
        for one in here:
            yield from languages(one)
    elif isinstance(here, dict):
        if "/Lang" in here:
            yield here["/Lang"]
        if "/K" in here:
            yield from languages(here["/K"])


@pytest.mark.parametrize("line", [
    '#import "@preview/cetz:0.3.0"', '#include "@local/a:1.0.0"',
    '#import("@" + "preview/a:1.0.0")',
    r'#import "\u{40}preview/a:1.0.0"',
])
def test_a_template_that_wants_a_package_from_the_network_is_refused(lab, line):
    path = lab / "own" / "wearers-page.typ"
    path.write_text(path.read_text("utf-8") + line, "utf-8")
    assert (
        "profile.toml:8: documents holds wearers-page.typ, which imports a package (@…) from the "
        "network"
    ) in refused(lab / "profile.toml")


def test_a_template_that_cannot_be_read_is_told_with_the_others(lab):
    (lab / "own" / "wearers-page.typ").write_bytes(b"\xff\xfe")
    (lab / "logo.svg").unlink()
    told = refused(lab / "profile.toml")
    assert "profile.toml:8: documents" in told
    assert '= "own": wearers-page.typ cannot be read (is not UTF-8)' in told
    assert "logo.svg" in told
    assert "TOML" not in told
