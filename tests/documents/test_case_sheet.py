"""The case sheet and the wearer's page: what is read back from the PDF equals the JSON."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from decimal import ROUND_HALF_EVEN, Decimal
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image

from labkit.catalog.lettering import load_lettering
from labkit.catalog.profiles import Logo, Paper, Profile, default_profile
from labkit.catalog.texts import english_texts
from labkit.documents import case_sheet
from labkit.documents.bite_scale_drawing import bite_scale
from labkit.documents.drawing import Text, in_rows, label
from labkit.documents.figures import as_given, on_the_gauge, percent, percents, ticks
from labkit.documents.papers import wearers_facts
from labkit.documents.render import compile_pdf, page_images
from labkit.documents.set_picture import caption_of, set_drawing
from labkit.documents.set_spec import graded_of, part_of, prescription_of
from labkit.documents.step_plot import step_plot
from labkit.documents.svg import to_svg
from tests.documents.pdfs import reader, squeezed, text_of
from tests.documents.samples import fourteen_steps, hostile, sample_spec, six_steps, unequal_hinged
from tests.support.drawings import marks
from tests.support.prescriptions import SMALLEST, changed, sliding

CASES = {
    "plain": SMALLEST,
    "six": six_steps(),
    "fourteen": fourteen_steps(),
    "unequal hinged": unequal_hinged(),
    "sliding": sliding(),
    "hostile": hostile(),
    "thirteenths": changed(
        SMALLEST,
        ("percent = [50, 62.5, 75, 87.5, 100]", "first = 0\nlast = 100\nsteps = 14"),
        ("start = 62.5\n", ""),
    ),
    "thirds": changed(
        SMALLEST, ("percent = [50, 62.5, 75, 87.5, 100]", "first = 0\nlast = 100\nsteps = 4"),
        ("start = 62.5\n", ""),
    ),
}
BENCH = Profile(
    name="Harrow Lane Bench",
    address=("12 Harrow Lane", "Unit 4", "Anytown AB1 2CD", "Phone 0100 555 010"),
    logo=Logo("svg", b'<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="10mm" '
                     b'viewBox="0 0 60 10"><rect width="60" height="10"/></svg>'),
)
PPI = 80
#: What the sheet prints of what can differ from set to set.
DECIMALS = {"percent": 1, "advancement_mm": 2}


def sheet(text: str, *, picture: bool = True, profile: Profile | None = None) -> tuple[dict, bytes]:
    spec = sample_spec(text, profile)
    pictures = {"set.svg": to_svg(set_drawing(spec, load_lettering()))} if picture else {}
    facts = case_sheet.facts(spec)
    return spec, compile_pdf("case-sheet.typ", facts, profile or default_profile(), pictures)


def sixty_steps() -> str:
    """As many steps as a set may have."""
    return changed(
        SMALLEST,
        ("percent = [50, 62.5, 75, 87.5, 100]",
         "first = 0\nlast = 100\nsteps = 60\ntolerance = 0.04"),
        ("start = 62.5\n", ""),
    )


def hinged_steps(count: int, start: float | None = None) -> str:
    """Hinged with all averages, left unlike right."""
    named = "" if start is None else f"start = {start}\n"
    return changed(
        unequal_hinged(),
        ("percent = [60, 75, 90]", f"first = 0\nlast = 100\nsteps = {count}\ntolerance = 0.04"),
        ("start = 75\n", named),
    )


def sheet_facts(text: str, lab: Profile) -> tuple[dict, Profile, dict[str, bytes]]:
    spec = sample_spec(text, lab)
    return spec, lab, {"set.svg": to_svg(set_drawing(spec, load_lettering()))}


def drawn(made: tuple[dict, Profile, dict[str, bytes]]) -> list[np.ndarray]:
    """Where each page has ink."""
    spec, lab, pictures = made
    pages = page_images("case-sheet.typ", case_sheet.facts(spec), lab, pictures, ppi=PPI)
    return [np.asarray(Image.open(io.BytesIO(page)).convert("L")) < 200 for page in pages]


def rounded(value: float, decimals: int) -> str:
    """Round by decimal arithmetic, apart from the code under test."""
    quantum = Decimal(1).scaleb(-decimals)
    result = Decimal(value).quantize(quantum, ROUND_HALF_EVEN)
    return str(abs(result) if result == 0 else result).replace("-", "−")


@pytest.mark.parametrize("name", CASES)
def test_every_step_is_printed_as_the_json_has_it(name):
    spec, pdf = sheet(CASES[name])
    lines = [line.split() for line in text_of(pdf).splitlines()]
    for number, step in enumerate(spec["lengths"]["steps"], 1):
        row = [
            rounded(step["made"]["percent"], 1),
            rounded(step["advancement_mm"], 2),
            rounded(step["made"]["advancement_mm"], 2),
        ]
        tail = [step["left"]["label"], step["right"]["label"]]
        found = [
            line for line in lines
            if line[:1] == [str(number)] and line[-2:] == tail and all(cell in line for cell in row)
        ]
        assert len(found) == 1, (number, row, tail)
        assert ("start" in found[0]) is step["start"]
        asked = next(cell for cell in found[0][1:] if cell != "start")
        # As stated, or with one decimal where equal parts of a way gave it.
        assert float(asked) == pytest.approx(step["percent"], abs=0.05)


def test_the_difference_to_the_step_before_is_that_of_the_made_advancements():
    spec, pdf = sheet(SMALLEST)
    made = [step["made"]["advancement_mm"] for step in spec["lengths"]["steps"]]
    text = text_of(pdf)
    assert sum(b > a for a, b in pairwise(made)) == len(made) - 1
    for before, after in pairwise(made):
        assert f"+{rounded(after - before, 2)}" in text


@pytest.mark.parametrize("name", CASES)
def test_case_bite_and_findings_are_printed_as_the_json_has_them(name):
    spec, pdf = sheet(CASES[name])
    text = squeezed(text_of(pdf))
    assert squeezed(spec["case"]) in text
    assert spec["date"] in text
    bite = spec["prescription"]["bite"]
    for reading in ("retruded", "habitual", "protruded"):
        if bite[reading] is not None:
            assert f"{reading}{on_the_gauge(bite[reading], sign=True)}" in text
    assert f"registeredbite{on_the_gauge(bite['registered'], sign=True)}" in text
    assert f"protrusiverange{on_the_gauge(spec['lengths']['range_mm'])}mm" in text
    for finding in spec["lengths"]["findings"]:
        if finding["code"] != "average_values":
            assert squeezed(finding["message"])[1:] in text


def test_averages_are_named_in_plain_words_with_their_values():
    spec, pdf = sheet(unequal_hinged())
    text = squeezed(text_of(pdf))
    assert set(spec["lengths"]["assumed"]) >= {"condyle_left", "pads_right", "incisal"}
    # Bonwill triangle of 101.6 mm at 22° (Christensen 1959): ±50.8 mm sideways.
    for expected in (
        "condylar inclination, left and right: 30.0° / 30.0°",
        "left condyle: (−81.6, 50.8, 33.0) mm",
        "right pad: (−30.0, −22.0, 0.0) mm",
    ):
        assert squeezed(expected) in text


def test_every_average_of_every_model_has_plain_words():
    for text in (sliding().replace("path_inclination = 8\n", ""), unequal_hinged()):
        spec = sample_spec(text)
        assert spec["lengths"]["assumed"]
        assert len(case_sheet.facts(spec)["averages"]) == len(spec["lengths"]["assumed"])
    words = english_texts().tables["assumed"]
    assert set(sample_spec(unequal_hinged())["lengths"]["assumed"]) <= set(words)


def test_a_sheet_without_averages_says_so():
    assert "None used." in text_of(sheet(SMALLEST)[1])
    text = squeezed(text_of(sheet(sliding())[1]))
    assert squeezed("Everything that the jaw model needs was recorded on this patient.") in text


def test_the_hinged_model_shows_where_the_jaw_stands():
    spec, pdf = sheet(unequal_hinged())
    made = spec["lengths"]["steps"][2]["made"]
    row = [rounded(made["pitch_deg"], 1), f"+{rounded(made['yaw_deg'], 1)}"]
    lines = [line.split() for line in text_of(pdf).splitlines()]
    assert any(line[:1] == ["3"] and all(cell in line for cell in row) for line in lines)
    assert made["pitch_deg"] < -1  # so that the row above cannot be met by zeros


def test_start_is_named_or_said_to_be_missing():
    assert "step 2, 60 %" in text_of(sheet(six_steps())[1])
    text = text_of(sheet(changed(SMALLEST, ("start = 62.5\n", "")))[1])
    assert "none named on the prescription" in text
    assert "\n2 start " not in text


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("picture", [False, True])
def test_six_steps_take_at_most_three_pages(paper, picture):
    _, pdf = sheet(six_steps(), picture=picture, profile=Profile(paper=paper))
    assert len(reader(pdf).pages) <= 3


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("lab", [Profile(), BENCH], ids=["no head", "bench"])
@pytest.mark.parametrize("name", ["fourteen", "thirteenths", "unequal hinged", "hostile"])
def test_ordinary_sets_take_three_pages(name, lab, paper):
    assert len(reader(sheet(CASES[name], profile=replace(lab, paper=paper))[1]).pages) == 3


@pytest.mark.parametrize(("paper", "most"), [(Paper.A4, 4), (Paper.US_LETTER, 4)])
@pytest.mark.parametrize("lab", [Profile(), BENCH], ids=["no head", "bench"])
def test_fourteen_hinged_steps_of_two_sides_leave_no_page_nearly_empty(lab, paper, most):
    pages = drawn(sheet_facts(hinged_steps(14), replace(lab, paper=paper)))
    assert len(pages) <= most
    for ink in pages:
        body = np.flatnonzero(ink.any(axis=1))
        inside = body[body < 0.9 * len(ink)]  # without the foot
        assert inside[-1] > 0.5 * len(ink)


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("name", ["one for both sides", "left unlike right"])
def test_all_rods_of_sixty_steps_are_on_the_page(name, paper):
    text = sixty_steps() if name == "one for both sides" else hinged_steps(60)
    spec, lab, pictures = sheet_facts(text, replace(BENCH, paper=paper))
    facts = case_sheet.facts(spec)
    printed = squeezed(text_of(compile_pdf("case-sheet.typ", facts, lab, pictures)))
    for part in spec["parts"]:
        assert squeezed(caption_of(part_of(part).uses)) in printed
    side, low, foot = (int(mm * PPI / 25.4) for mm in (17.5, 18.5, 16.5))
    for ink in drawn((spec, lab, pictures)):
        assert ink[-foot:].any()
        assert not ink[-low:-foot].any()  # nothing runs into the foot
        assert not ink[:, :side].any()
        assert not ink[:, -side:].any()


def test_steps_of_a_long_plot_are_numbered_without_overlap_and_the_start_always():
    words = english_texts().tables["step_plot"]
    for text, start in ((fourteen_steps(), 6), (hinged_steps(33, start=50), 17)):
        steps = graded_of(sample_spec(text)).steps
        drawing = step_plot(steps, words)
        numbers = [text for text in drawing.own(Text) if text.words.isdecimal()
                   and text.at[1] < drawing.corner[1] + 6]
        assert [n.words for n in numbers if n.bold] == [str(start)]
        assert numbers[0].words == "1"
        for a, b in pairwise(numbers):
            assert _gap(a, b) > 0.5, (a.words, b.words)
    assert len(numbers) < len(steps)


@pytest.mark.parametrize("text", [
    CASES["hostile"], hinged_steps(14),
    *(pytest.param(text, marks=pytest.mark.slow) for text in CASES.values()),
])
def test_how_to_fit_stands_on_one_page(text):
    for paper in Paper:
        whole = reader(sheet(text, profile=replace(BENCH, paper=paper))[1])
        pages = [squeezed(page.extract_text()) for page in whole.pages]
        steps = english_texts().tables["case_sheet"]["fitting_steps"]
        assert len({next(i for i, page in enumerate(pages) if squeezed(step) in page)
                    for step in steps}) == 1


def test_the_record_and_the_log_have_their_fields():
    text = squeezed(text_of(sheet(six_steps())[1]))
    for words in (
        "Hold of each splint", "Pain or pressure", "Both sides meet at once on articulating paper",
        "The wearer put it in and took it out", "Rods at home", "Step inserted",
        "mm left to maximum", "Follow-up",
    ):
        assert squeezed(words) in text


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("name", ["fourteen", "hostile", "unequal hinged"])
def test_nothing_is_printed_outside_the_margins(name, paper):
    lab = Profile(name="Harrow Lane Bench", address=("12 Harrow Lane", "Anytown"), paper=paper)
    spec = sample_spec(CASES[name], lab)
    pictures = {"set.svg": to_svg(set_drawing(spec, load_lettering()))}
    ppi = 60
    for page in page_images("case-sheet.typ", case_sheet.facts(spec), lab, pictures, ppi=ppi):
        ink = np.asarray(Image.open(io.BytesIO(page)).convert("L")) < 128
        margin = int(17.5 / 25.4 * ppi)  # 18 mm, less half a millimetre for the softened edge
        assert ink.any()
        assert not ink[:, :margin].any()
        assert not ink[:, -margin:].any()
        assert not ink[: int(8 / 25.4 * ppi)].any()
        assert not ink[-int(5 / 25.4 * ppi) :].any()


def scale_drawn(spec):
    bite, words = prescription_of(spec).bite, english_texts().tables["bite_scale"]
    return bite_scale(bite, graded_of(spec), words)


def test_the_bite_scale_places_readings_and_steps_in_proportion():
    spec = sample_spec(SMALLEST)
    drawing = scale_drawn(spec)
    found = [mark for mark in marks(drawing) if mark[0] != "bar"]
    start, retruded, registered, protruded = (x for _, x, _ in found)
    # Percent is the part of the way from zero to protruded; the start is 62.5 %.
    assert (start - retruded) / (protruded - retruded) == pytest.approx(0.625)
    assert (registered - retruded) / (protruded - retruded) == pytest.approx(8.1 / 11.6)
    assert [kind for kind, *_ in found] == ["dot", "dot", "square", "dot"]


@pytest.mark.parametrize("habitual", ["-5.1", "-3.0", "2.8", "2.95", "6.3"])
def test_words_on_the_bite_scale_never_overlap(habitual):
    spec = sample_spec(changed(SMALLEST, ("protruded", f"habitual = {habitual}\nprotruded")))
    drawing = scale_drawn(spec)
    words = drawing.own(Text)
    for i, a in enumerate(words):
        for b in words[i + 1 :]:
            apart = abs(a.at[1] - b.at[1]) >= 3 or _gap(a, b) >= 0
            assert apart, (a.words, b.words)
        left, right, bottom, _ = a.box()
        assert left >= -0.01
        assert right <= drawing.width_mm + 0.01
        assert bottom - 0.7 >= drawing.corner[1]  # room for letters that hang


def test_the_plot_sets_asked_and_made_at_their_heights():
    steps = graded_of(sample_spec(six_steps())).steps
    drawing = step_plot(steps, english_texts().tables["step_plot"])
    rings = [y for kind, _, y in marks(drawing) if kind == "ring"][1:]
    asked = [step.advancement_mm for step in steps]
    assert len(rings) == len(asked)
    per_mm = (rings[-1] - rings[0]) / (asked[-1] - asked[0])
    for ring, value in zip(rings, asked, strict=True):
        assert (ring - rings[0]) / per_mm == pytest.approx(value - asked[0], abs=1e-9)
    # Made lies within the rounding of 0.05 mm of asked; the first dot is that of the key.
    dots = [y for kind, _, y in marks(drawing) if kind == "dot"]
    dots = dots[1 : len(asked) + 1]
    for dot, step in zip(dots, steps, strict=True):
        made = step.made.advancement_mm
        assert (dot - rings[0]) / per_mm == pytest.approx(made - asked[0], abs=1e-9)
        assert abs(made - step.advancement_mm) <= 0.05 + 1e-9


def test_one_step_alone_can_be_drawn():
    spec, pdf = sheet(changed(
        SMALLEST, ("[50, 62.5, 75, 87.5, 100]", "[75]"), ("start = 62.5", "start = 75")))
    assert len(spec["lengths"]["steps"]) == 1
    assert "step 1, 75 %" in text_of(pdf)


def test_numbers_on_paper():
    assert percents([50, 62.5, 100]) == ["50.0", "62.5", "100.0"]
    assert percents([33.33, 50]) == ["33.33", "50.00"]
    assert percents([100 / 13, 50]) == ["7.7", "50.0"]
    assert percent(100 / 3) == "33.3 %"
    assert on_the_gauge(-5.25, sign=True) == "−5.25"
    assert on_the_gauge(-5.2512) == "−5.3"
    assert as_given(0.01) == "0.01"
    assert ticks(0, 11.6, 8) == [0, 2, 4, 6, 8, 10]
    assert ticks(0, 0.9, 8) == pytest.approx([0, 0.2, 0.4, 0.6, 0.8])
    assert in_rows([10, 10, 10], [0, 5, 9]) == [0, 1, 2]
    # Noto Sans: x is 529 of 1000 wide.
    assert label("x" * 10, (0, 0), 9).width_mm == pytest.approx(5.29 * 9 * 25.4 / 72)


def test_the_wearers_page_is_large_print_and_tells_when_to_stop():
    spec = sample_spec(six_steps())
    pdf = compile_pdf("wearers-page.typ", wearers_facts(spec), default_profile())
    text = squeezed(text_of(pdf))
    of_today = ("not_worn", "not_known")  # where the record says so, or cannot be asked
    words = english_texts().tables["wearers_page"]
    for content in (words[name] for name in words.keys() - of_today):
        for line in [content] if isinstance(content, str) else content:
            assert squeezed(line) in text, line
    sizes = _sizes(pdf, "Wash your hands")
    assert sizes
    assert min(sizes) >= 14
    assert len(reader(pdf).pages) <= 2


def test_facts_are_plain_json():
    facts = case_sheet.facts(sample_spec(unequal_hinged()))
    assert json.loads(json.dumps(facts, allow_nan=False)) == facts


def _gap(a: Text, b: Text) -> float:
    return max(b.box()[0] - a.box()[1], a.box()[0] - b.box()[1])


def _sizes(pdf: bytes, words: str) -> list[float]:
    found: list[float] = []

    def visit(text, _cm, matrix, _font, size):
        if squeezed(words) in squeezed(text):
            found.append(abs(size * matrix[3]))

    for page in reader(pdf).pages:
        page.extract_text(visitor_text=visit)
    return found
