"""Papers in languages that need 40 % more room than English: nothing overflows or overlaps."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass, replace
from itertools import combinations
from xml.etree import ElementTree

import pytest

from labkit.catalog.profiles import Paper, default_profile
from labkit.catalog.texts import Texts, english_texts
from labkit.documents.papers import PAPERS
from labkit.documents.render import compile_pdf
from tests.documents.samples import fourteen_steps, sample_spec, six_steps, unequal_hinged

pytestmark = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="needs pdftotext of Debian's poppler-utils"
)
#: So much longer than the English is every sentence.
LONGER = 1.4
_POINT_MM = 25.4 / 72
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
    parts = re.split(r"(\{[a-z_]+\})", sentence)
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
    }  # fmt: skip
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
}  # fmt: skip
TRANSLATED = ("case-sheet", "wearers-page", "bag-labels")


def paper_of(name, text, language, paper):
    bench = replace(default_profile(), name="Harrow Lane Bench", paper=paper)
    lab = replace(bench, texts=texts_in(language))
    spec = sample_spec(text, lab)
    one = next(each for each in PAPERS if each.name == name)
    pictures = one.pictures(spec) if one.pictures else {}
    return compile_pdf(one.template, one.facts(spec), lab, pictures)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_invented_languages_are_longer_than_english(language):
    ours = theirs = 0
    for table, words in english_texts().tables.items():
        for key, one in words.items():
            if isinstance(one, str) and len(one) > 12:
                ours += len(one)
                theirs += len(texts_in(LANGUAGES[language]).tables[table][key])
    assert 1.3 < theirs / ours < 1.5


@pytest.mark.parametrize("paper", Paper)
@pytest.mark.parametrize("sample", SPECS)
@pytest.mark.parametrize("name", TRANSLATED)
@pytest.mark.parametrize("language", LANGUAGES)
def test_no_word_overflows_or_overlaps(language, name, sample, paper, tmp_path):
    pdf = paper_of(name, SPECS[sample](), LANGUAGES[language], paper)
    found, (width, height) = boxes(pdf, tmp_path)
    assert len(found) > 40
    outside = [one for one in found if not (
        one.left >= 3.9 and one.right <= width - 3.9 and one.top >= 3 and one.bottom <= height - 3)]
    assert outside == []
    overlapping = [(a, b) for a, b in combinations(found, 2) if a.over(b)]
    assert overlapping == []


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
