"""The generic report and the canvas of charts: whole files, same bytes, own fonts, data as data."""

from __future__ import annotations

import hashlib
import io
import os
import re
import subprocess
import sys
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from PIL import Image

from labkit.catalog.profiles import Paper, Profile, default_profile
from labkit.core.cautions import CAUTIONS
from labkit.core.findings import note
from labkit.core.report import Column, Plot, Report, Section, Table
from labkit.documents.charts import canvas
from labkit.documents.process_report import report_pdf, write_report
from labkit.errors import DeliveryError
from tests.documents.pdfs import page_sizes_mm, reader, squeezed, text_of

ROOT = Path(__file__).parents[2]


@canvas.house_style()
def chart(words="length, mm"):
    figure, (upper, lower) = canvas.new_chart(70, 2, (2, 1))
    upper.plot([1, 2, 3], [30.1, 30.25, 30.2], label="values")
    canvas.level(upper, 30.2, "mean 30.20")
    canvas.head(upper, "Values")
    canvas.note(upper, 2, 30.25, "here")
    upper.set_ylabel(words)
    canvas.key(upper)
    lower.plot([1, 2], [-1, 1])
    return figure


DRAWN = canvas.plot("chart", chart, "Three values that rise and fall.")


def listed(heads, rows):
    return Table(tuple(map(Column, heads)), tuple(rows))


def sample_report(**own):
    sections = (
        Section("Indices", ("What it does.",), listed(("index", "value"), [("Cp", "1.06")])),
        Section("Chart", plot=DRAWN),
        Section("Long", (), listed(("rod", "found"), [(f"rod {n}", "a" * 60) for n in range(60)])),
    )
    parts = {
        "title": "Capability of a process", "subtitle": "resin", "facts": (("Lot", "B-17"),),
        "sections": sections, "findings": (note("", "Only 12 values."),), "date": "2031-03-14",
    }
    return Report(**{**parts, **own})


def test_the_same_chart_gives_the_same_bytes_and_changes_nothing_of_matplotlib():
    before = dict(mpl.rcParams)
    figure = chart()
    first = canvas.svg_of(figure)
    assert first == canvas.svg_of(figure) == canvas.svg_of(chart())
    assert canvas.png_of(figure) == canvas.png_of(chart())
    assert dict(mpl.rcParams) == before
    assert b"<dc:date>" not in first


def test_another_process_with_other_settings_gives_the_same_bytes(tmp_path):
    (tmp_path / "matplotlibrc").write_text("font.size: 30\nlines.linewidth: 9\naxes.grid: True\n")
    code = (
        "import hashlib\nfrom tests.documents.test_process_report import chart\n"
        "from labkit.documents.charts import canvas\n"
        "print(hashlib.sha256(canvas.svg_of(chart())).hexdigest())"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT,
        env={**os.environ, "MATPLOTLIBRC": str(tmp_path), "PYTHONHASHSEED": "7"},
    )
    assert run.stdout.strip() == hashlib.sha256(canvas.svg_of(chart())).hexdigest()


def test_a_chart_has_the_size_asked_for_and_white_paper():
    figure = chart()
    svg = canvas.svg_of(figure).decode()
    width, height = re.search(r'width="([\d.]+)pt" height="([\d.]+)pt"', svg).groups()
    assert float(width) * 25.4 / 72 == pytest.approx(canvas.PAGE_WIDTH_MM, abs=0.01)
    assert float(height) * 25.4 / 72 == pytest.approx(70, abs=0.01)
    image = Image.open(io.BytesIO(canvas.png_of(figure, dpi=100)))
    assert image.size == (int(canvas.PAGE_WIDTH_MM / 0.254), int(70 / 0.254))
    assert image.convert("RGB").getpixel((0, 0)) == (255, 255, 255)
    assert np.asarray(image.convert("L")).min() < 60


def test_letters_come_from_the_papers_own_fonts_as_outlines():
    svg = canvas.svg_of(chart()).decode()
    assert "<text" not in svg
    assert set(re.findall(r'id="([A-Za-z]+)-[\w-]+"', svg)) >= {"NotoSans"}
    assert "DejaVu" not in svg


@pytest.mark.parametrize("words", ["$x_1$ 5 %", "Größe 中文 σ̂", "\U0010fffd", "_^{", "العربية"])
def test_a_users_words_are_never_formulas_and_never_boxes(words):
    assert canvas.svg_of(chart(words)) != canvas.svg_of(chart("plain"))


def test_the_series_differ_in_a_grey_print():
    def grey(colour):
        r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        return 0.299 * r + 0.587 * g + 0.114 * b

    levels = sorted(grey(colour) for colour in canvas.SERIES)
    assert min(np.diff(levels)) > 12
    assert len(set(canvas.MARKERS)) == len(canvas.MARKERS) == len(canvas.SERIES)


@pytest.mark.parametrize("paper", list(Paper))
def test_the_report_says_all_on_the_labs_paper(paper):
    pdf = report_pdf(sample_report(), Profile(name="Harrow Lane Bench", paper=paper))
    assert page_sizes_mm(pdf) == {(210.0, 297.0) if paper is Paper.A4 else (215.9, 279.4)}
    text = text_of(pdf)
    for words in ("Capability of a process", "Only 12 values.", "B-17", "Cp", "1.06", *CAUTIONS):
        assert squeezed(words) in squeezed(text)
    assert text.count("Harrow Lane Bench") == len(reader(pdf).pages)


def test_findings_come_before_everything_else_and_heads_repeat():
    pdf = report_pdf(sample_report(), default_profile())
    text = text_of(pdf)
    assert text.index("Only 12 values.") < text.index("B-17") < text.index("Indices")
    pages = [page.extract_text() for page in reader(pdf).pages]
    assert sum("found" in page for page in pages) == sum("rod " in page for page in pages) >= 2


def test_a_report_without_findings_says_so():
    pdf = report_pdf(sample_report(findings=()), default_profile())
    assert "No findings." in text_of(pdf)


def alternatives(pdf):
    """Words for people who cannot see the pictures, from the tree of the tags."""
    waiting = [pdf.trailer["/Root"]["/StructTreeRoot"]]
    while waiting:
        node = waiting.pop().get_object()
        if isinstance(node, list):
            waiting += node
        elif hasattr(node, "get"):
            if "/Alt" in node:
                yield str(node["/Alt"])
            waiting += [node["/K"]] if "/K" in node else []


def test_the_pdf_is_tagged_dated_and_has_the_pictures_words():
    pdf = report_pdf(sample_report(), default_profile())
    assert pdf == report_pdf(sample_report(), default_profile())
    found = reader(pdf)
    assert found.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert found.metadata.title == "Capability of a process"
    assert found.metadata.creation_date.date().isoformat() == "2031-03-14"
    assert "Three values that rise and fall." in set(alternatives(found))


@pytest.mark.parametrize("words", ["#strong[x]", "*a* $y$", "@ref <l>", "⟨\U0010fffd", "x" * 300])
def test_words_of_users_stay_words(words):
    report = sample_report(
        facts=(("Lot", words),), findings=(note("", words),), subtitle=words,
        sections=(Section("S", (words,), listed(("a", "b"), [(words, "1")])),),
    )
    text = squeezed(text_of(report_pdf(report, default_profile())))
    assert text.count(squeezed(words.replace("\U0010fffd", "⟨U+10FFFD⟩"))) >= 4


def test_a_report_is_written_whole(tmp_path):
    files = write_report(sample_report(), tmp_path / "new" / "report", default_profile())
    assert [file.name for file in files] == ["report.pdf", "chart.svg", "chart.png"]
    assert all(file.stat().st_size > 1000 for file in files)
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["report"]


def test_a_report_never_goes_over_another_thing(tmp_path):
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "notes.txt").write_text("mine")
    (tmp_path / "file").write_text("mine")
    for name, words in (
        ("kept", "is there already"), ("file", "is there already"),
        ("file/report", "file is a file; name another folder"), ("n" * 300, "cannot be written: "),
    ):
        with pytest.raises(DeliveryError, match=words):
            write_report(sample_report(), tmp_path / name, default_profile())
    assert (tmp_path / "kept" / "notes.txt").read_text() == "mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "kept"]


def test_nothing_is_left_where_a_report_cannot_be_written(tmp_path):
    svg = DRAWN.files["chart.svg"]
    nowhere = Plot("chart", lambda: {"svg": svg, "no/such/place": b"x"}, "Nothing.")
    with pytest.raises(DeliveryError, match="cannot be written"):
        write_report(
            sample_report(sections=(Section("Chart", plot=nowhere),)), tmp_path / "report",
            default_profile(),
        )
    assert list(tmp_path.iterdir()) == []
