"""Papers in languages that need 40 % more room than English: nothing overflows or overlaps."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass, replace
from itertools import combinations
from xml.etree import ElementTree

import pytest

from labkit.catalog.profiles import Paper, default_profile, profile_json
from labkit.catalog.texts import Texts, english_texts
from labkit.core.case.case_standing import SetStanding
from labkit.documents.papers import PAPERS
from labkit.documents.render import compile_pdf
from labkit.documents.set_spec import graded_of
from labkit.documents.standing import STANDING
from labkit.workflow.sets.standing import with_standing
from tests.documents.samples import fourteen_steps, sample_spec, six_steps, unequal_hinged
from tests.support.dry import first_set
from tests.support.making import recorder_for
from tests.support.recorded import unequal
from tests.workflow.test_standing import in_between, replaced, shorten

pytestmark = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="needs pdftotext of Debian's poppler-utils"
)
#: So much longer than the English is every sentence.
LONGER = 1.4
_POINT_MM = 25.4 / 72
_PLACES = re.compile(r"(\{[a-z_]+\})")
#: Letters of an invented language that stacks its accents.
_ACCENTED = str.maketrans("aeiouydsnAEIOU", "ậếỉộữỳđṩñẪỀỈỖỮ")


def compound(words: list[str]) -> str:
    """Words of an invented language that writes up to four of ours as one."""
    joined = ["".join(words[at:at + 4]).lower() for at in range(0, len(words), 4)]
    room = round(LONGER * len(" ".join(words))) - len(" ".join(joined))
    most = -(-room // len(joined))
    return " ".join(one + ("ungsheitslich" * 9)[:most] for one in joined)


def accented(words: list[str]) -> str:
    """Words of an invented language with many diacritics, each 40 % longer."""
    return " ".join(
        (word + "ộngữ" * 4)[: max(round(LONGER * len(word)), len(word))] for word in words
    ).translate(_ACCENTED)


LANGUAGES = {"compound": compound, "accented": accented}


def invented(sentence: str, language) -> str:
    """Say a sentence in an invented language; places that are filled in stay."""
    parts = _PLACES.split(sentence)
    return "".join(
        part if part.startswith("{") or not part.strip()
        else part[: len(part) - len(part.lstrip())] + language(part.split())
        + part[len(part.rstrip()):]
        for part in parts
    )


def texts_in(language) -> Texts:
    tables = {
        name: {
            key: invented(words, language) if isinstance(words, str)
            else tuple(invented(one, language) for one in words)
            for key, words in table.items()
        }
        for name, table in english_texts().tables.items()
    }
    return Texts("qaa", tables)


@dataclass(frozen=True)
class Box:
    """A word as printed, mm from the upper left corner of its page."""

    page: int
    left: float
    top: float
    right: float
    bottom: float
    word: str

    def over(self, other: Box) -> bool:
        across = min(self.right, other.right) - max(self.left, other.left)
        down = min(self.foot, other.foot) - max(self.head, other.head)
        return self.page == other.page and across > 0.3 and down > 0.3

    @property
    def head(self) -> float:
        """Where small letters begin; a box has room for accents and for what hangs down."""
        return self.top + 0.36 * (self.bottom - self.top)

    @property
    def foot(self) -> float:
        """The line on which letters stand."""
        return self.bottom - 0.22 * (self.bottom - self.top)


def boxes(pdf: bytes, folder) -> tuple[list[Box], tuple[float, float]]:
    path = folder / "paper.pdf"
    path.write_bytes(pdf)
    done = subprocess.run(["pdftotext", "-bbox", path, "-"], capture_output=True, check=True)
    root = ElementTree.fromstring(done.stdout)
    space = "{http://www.w3.org/1999/xhtml}"
    found, size = [], (0.0, 0.0)
    for number, page in enumerate(root.iter(f"{space}page")):
        size = (float(page.get("width")) * _POINT_MM, float(page.get("height")) * _POINT_MM)
        for word in page.iter(f"{space}word"):
            edges = (float(word.get(name)) * _POINT_MM for name in ("xMin", "yMin", "xMax", "yMax"))
            found.append(Box(number, *edges, word.text))
    return found, size


SPECS = {
    "six": six_steps, "hinged": unequal_hinged, "fourteen": fourteen_steps,
}
TRANSLATED = ("case-sheet", "wearers-page", "bag-labels")


def lab_in(language, paper):
    bench = replace(default_profile(), name="Harrow Lane Bench", paper=paper)
    return replace(bench, texts=texts_in(language))


def paper_of(name, text, language, paper):
    lab = lab_in(language, paper)
    return pdf_of(name, sample_spec(text, lab), lab)


def pdf_of(name, spec, lab):
    one = next(each for each in PAPERS if each.name == name)
    pictures = one.pictures(spec) if one.pictures else {}
    return compile_pdf(one.template, one.facts(spec), lab, pictures)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_invented_languages_are_longer_than_english(language):
    ours = theirs = 0
    for table, words in english_texts().tables.items():
        for key, one in words.items():
            if isinstance(one, str) and len(one) > 12:
                ours += len(_PLACES.sub("", one))
                theirs += len(_PLACES.sub("", texts_in(LANGUAGES[language]).tables[table][key]))
    assert 1.3 < theirs / ours < 1.5


#: The shorter paper with most steps; with fewer it is slow.
SHEETS = [
    pytest.param(sample, paper, marks=[] if quick else [pytest.mark.slow])
    for sample in SPECS for paper in Paper
    for quick in (paper is Paper.A4 or sample == "fourteen",)
]


@pytest.mark.parametrize(("sample", "paper"), SHEETS)
@pytest.mark.parametrize("name", TRANSLATED)
@pytest.mark.parametrize("language", LANGUAGES)
def test_no_word_overflows_or_overlaps(language, name, sample, paper, tmp_path):
    fits(paper_of(name, SPECS[sample](), LANGUAGES[language], paper), tmp_path)


def fits(pdf, folder):
    """Every word stands on its page, and none on another; gives all of them."""
    found, (width, height) = boxes(pdf, folder)
    assert len(found) > 40
    outside = [one for one in found if not (
        one.left >= 3.9 and one.right <= width - 3.9 and one.top >= 3 and one.bottom <= height - 3)]
    assert outside == []
    overlapping = [(a, b) for a, b in combinations(found, 2) if a.over(b)]
    assert overlapping == []
    return " ".join(one.word for one in found)


@pytest.fixture(scope="module")
def struck(tmp_path_factory):
    """Sets of a case whose range was shortened: rods in between, and one in another's place."""
    with recorder_for(tmp_path_factory.mktemp("case") / "ledger.sqlite") as book:
        text = unequal("A", "hinged", "pull")
        first_set(book, text)
        shorten(book, text)
        return [with_standing(spec, book.ledger) for spec in (in_between(book), replaced(book))]


@pytest.mark.parametrize("which", [0, 1], ids=["in-between", "replaced"])
@pytest.mark.parametrize("language", LANGUAGES)
def test_marks_and_what_holds_now_are_told_in_the_language_and_fit(
    struck, which, language, tmp_path
):
    lab = lab_in(LANGUAGES[language], Paper.A4)
    spec = {**struck[which], "profile": profile_json(lab)}
    assert isinstance(spec[STANDING], SetStanding)
    mark = lab.texts.tables["standing"]["not_to_be_worn"]
    for name in TRANSLATED:
        told = fits(pdf_of(name, spec, lab), tmp_path)
        for english in ("NOT TO BE WORN", "True as of", "protrusive range is", "in circulation"):
            assert english not in told, name
        assert name == "wearers-page" or mark in told, name
    facts = PAPERS[0].facts(spec)
    assert facts["now"][0].startswith(mark)
    assert facts["now_language"] == "qaa"


@pytest.mark.parametrize("language", LANGUAGES)
def test_notes_are_told_in_the_language_with_their_numbers(language):
    lab = lab_in(LANGUAGES[language], Paper.A4)
    spec = sample_spec(unequal_hinged(), lab)
    told = [one for one in graded_of(spec).findings if one.code != "average_values"]
    assert {"sides_apart", "wide_steps"} <= {one.code for one in told}
    said = PAPERS[0].facts(spec)["findings"]
    for note, sentence in zip(told, said, strict=True):
        assert note.message not in sentence
        assert sentence.casefold().count("ungsheits") > 0 or "ộ" in sentence
        for value in note.values.values():
            assert value in sentence


def test_notes_stored_before_their_values_were_kept_stay_english():
    lab = lab_in(compound, Paper.A4)
    spec = sample_spec(unequal_hinged(), lab)
    for note in spec["lengths"]["findings"]:
        note.pop("values", None)
    facts = PAPERS[0].facts(spec)
    assert any("increments are over 1 mm of advancement" in one for one in facts["findings"])


#: Size of a label, how many stand across and down, and the gap between them, mm.
SHEETS = {Paper.A4: (63.5, 38.1, 3, 7, 2.5), Paper.US_LETTER: (101.6, 50.8, 2, 5, 4.8)}


@pytest.mark.parametrize("paper", Paper)
@pytest.mark.parametrize("language", LANGUAGES)
def test_every_word_of_a_bag_label_stays_on_it(language, paper, tmp_path):
    found, page = boxes(
        paper_of("bag-labels", fourteen_steps(), LANGUAGES[language], paper), tmp_path
    )
    width, height, across, down, gap = SHEETS[paper]
    left = (page[0] - across * width - (across - 1) * gap) / 2
    top = (page[1] - down * height) / 2
    on_labels = [one for one in found if top < one.head < page[1] - top]
    assert len(on_labels) > 14 * 2 * 8
    for one in on_labels:
        column, row = (one.left - left) // (width + gap), (one.head - top) // height
        assert one.right <= left + column * (width + gap) + width, one
        assert one.foot <= top + (row + 1) * height - 0.5, one
        if "MQ8" in one.word or "WMQ" in one.word:  # the case number, in its own room
            assert one.foot <= top + row * height + 2.8 + 7.2 + 0.1, one


def test_a_lab_whose_texts_have_no_bag_labels_gets_english_ones(tmp_path):
    texts = texts_in(compound)
    older = Texts("qaa", {**texts.tables, "bag_labels": english_texts().tables["bag_labels"]})
    lab = replace(default_profile(), texts=older)
    spec = sample_spec(six_steps(), lab)
    one = next(each for each in PAPERS if each.name == "bag-labels")
    found, _ = boxes(compile_pdf(one.template, one.facts(spec), lab, one.pictures(spec)), tmp_path)
    assert {"Step", "left"} <= {each.word.strip(",") for each in found}
