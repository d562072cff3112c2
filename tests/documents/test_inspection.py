"""The inspection form and its CSV: limits against the spec, formula-safe, readable again."""

from __future__ import annotations

import csv
import io
import math
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

import pytest
from scipy import optimize, stats

from labkit.catalog.guide import page
from labkit.catalog.lettering import load_lettering
from labkit.catalog.profiles import default_profile
from labkit.core.case.identifier import grouped, parse_identifier
from labkit.core.gauging.ways_of_measuring import Method, Role, ways_of
from labkit.core.label.lettering import Line
from labkit.core.rod.curves import box
from labkit.documents import inspection
from labkit.documents.drawing import Pen, Stroke
from labkit.documents.render import compile_pdf
from labkit.documents.set_spec import rod_of, template_of
from labkit.documents.way_picture import way_drawing
from labkit.qa.files.form_columns import COLUMNS, columns_table
from tests.documents import bench_specs as specs
from tests.documents.test_build_sheet import SETS, packed, words_of


def pdf_of(spec) -> bytes:
    pictures = inspection.pictures(spec)
    return compile_pdf("inspection-form.typ", inspection.facts(spec), default_profile(), pictures)


def rows_of(spec) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(inspection.csv_file(spec).decode("utf-8"))))


def used(spec):
    """Walk the rods of a set straight through its JSON, by step, left first."""
    found = [
        (use["step"], use["side"], use["identifier"], part)
        for part in spec["parts"] for use in part["uses"]
    ]
    return sorted(found, key=lambda item: item[:2])


def accepted_by_hand(way, length: Decimal, tolerance: Decimal, u_gauge: float):
    """Acceptance limits of a reading by another road: normal distribution and a root finder."""
    half = float(tolerance)
    bell = stats.norm(0, math.hypot(u_gauge, float(way.play_mm) / math.sqrt(3)))
    reach = optimize.brentq(
        lambda y: bell.cdf(half - y) - bell.cdf(-half - y) - 0.95, 0, half, xtol=1e-12
    )
    middle, step = length + way.shift_mm, Decimal("0.001")
    return (
        (middle - Decimal(reach)).quantize(step, ROUND_CEILING),
        (middle + Decimal(reach)).quantize(step, ROUND_FLOOR),
    )


@pytest.mark.parametrize("name", SETS)
def test_every_rod_has_its_line_with_limits_on_paper_and_in_the_csv(name):
    spec = specs.spec_of(SETS[name])
    text, rows = words_of(pdf_of(spec)), rows_of(spec)
    way = ways_of(template_of(spec))[0]
    assert len(rows) == 2 * len(spec["lengths"]["steps"])
    for row, (step, side, identifier, part) in zip(rows, used(spec), strict=True):
        tolerance = Decimal(repr(spec["tolerances_mm"][step - 1][side]))
        length, u_gauge = Decimal(part["length_mm"]), spec["process"]["gauge_uncertainty_mm"]
        lower, upper = accepted_by_hand(way, length, tolerance, u_gauge)
        nominal = f"{length + way.shift_mm:.3f}"
        assert parse_identifier(row["identifier"]) == identifier
        assert (int(row["step"]), row["side"], row["label"]) == (step, side, part["label"])
        assert (row["nominal_mm"], row["lower_mm"], row["upper_mm"]) == (
            nominal, str(lower), str(upper),
        )
        assert Decimal(row["tolerance_mm"]) == tolerance
        assert Decimal(row["nominal_mm"]) - Decimal(row["subtract_mm"]) == pytest.approx(
            Decimal(row["label"]), abs=Decimal("0.0005")
        )
        low, high = (length + way.shift_mm + end for end in (-tolerance, tolerance))
        line = (f"{grouped(identifier)}{step}{side}{part['part']}{nominal}"
                f"{low:.3f}to{high:.3f}{lower}to{upper}")
        assert packed(line) in text
    for caution in spec["cautions"]:
        assert packed(caution) in text


@pytest.mark.parametrize("name", SETS)
def test_every_way_has_its_formula_and_limits_on_paper(name):
    spec = specs.spec_of(SETS[name])
    text = words_of(pdf_of(spec)).lower()
    ways = ways_of(template_of(spec))
    for way in ways:
        assert packed(way.title).lower() in text
        assert packed(way.formula).lower() in text
        assert packed(way.reason).lower() in text
    for step, side, _, part in used(spec):
        tolerance = Decimal(repr(spec["tolerances_mm"][step - 1][side]))
        cells, length = "", Decimal(part["length_mm"])
        for way in ways[1:]:
            if way.role is Role.CHECK:
                widened = way.widened(length, tolerance)
                lower, upper = widened.lower_mm, widened.upper_mm
            else:
                u_gauge = spec["process"]["gauge_uncertainty_mm"]
                lower, upper = accepted_by_hand(way, length, tolerance, u_gauge)
            cells += f"{length + way.shift_mm:.3f}{lower}to{upper}"
        assert part["label"] + cells in text


def test_the_csv_is_regular_and_its_columns_are_documented():
    content = inspection.csv_file(specs.spec_of(specs.HOSTILE_CASE))
    text = content.decode("utf-8")
    assert text.endswith("\n")
    assert "\r" not in text
    header, *rows = list(csv.reader(io.StringIO(text)))
    assert header == [column.name for column in COLUMNS]
    assert len(set(header)) == len(header)
    assert {len(row) for row in rows} == {len(header)}
    blank = [header.index(column.name) for column in COLUMNS if column.printed is None]
    assert [header[k] for k in blank] == [
        "reading_1_mm", "reading_2_mm", "reading_3_mm", "label_read", "fittings", "result", "look",
        "instrument", "gauge_pins", "calibration_due", "temperature_c", "decision_rule",
        "measured_on", "measured_by", "checked_on", "checked_by", "material_lot", "remark",
    ]
    # The columns for people stand together at the end, in the order of the paper form.
    assert blank == list(range(len(header) - len(blank), len(header)))
    for row in rows:
        assert all(row[k] == "" for k in blank)
        assert all(row[k] != "" for k in range(len(header)) if k not in blank)


def test_the_guide_lists_the_columns():
    assert columns_table() in page("inspect-and-release")


def test_whatever_the_paper_form_asks_has_its_column():
    text = words_of(pdf_of(specs.spec_of(specs.SIX))).lower()
    asked = {
        "reading_1_mm": "Reading 1", "reading_2_mm": "Reading 2", "reading_3_mm": "Reading 3",
        "label_read": "Label read", "fittings": "Fittings", "result": "Conforms",
        "instrument": "Instrument", "gauge_pins": "Gauge pins",
        "calibration_due": "Calibration due",
        "temperature_c": "Temperature", "decision_rule": "Decision rule",
        "measured_by": "Measured by", "checked_by": "Checked by", "material_lot": "Material lot",
        "remark": "Remarks", "look": "Look",
    }
    (row, *_) = rows_of(specs.spec_of(specs.SIX))
    for column, words in asked.items():
        assert packed(words).lower() in text
        assert row[column] == ""


@pytest.mark.parametrize("case", ["=1+1", "+A1", "-A1", "@SUM(A1)", "＝1"])
def test_a_case_number_never_becomes_a_formula(case):
    spec = specs.spec_of(specs.changed(specs.SIX, ("QF-1043", case)))
    assert {row["case"] for row in rows_of(spec)} == {"'" + case}


def test_identifiers_stay_text_where_they_begin_with_a_zero():
    """A spreadsheet makes 0123456789 the number 123456789; groups with hyphens stay text."""
    for row in rows_of(specs.spec_of(specs.FOURTEEN)):
        assert [len(group) for group in row["identifier"].split("-")] == [4, 3, 3, 4]


def narrow(tolerance: str):
    change = ("start = 60", f"start = 60\ntolerance = {tolerance}")
    return specs.spec_of(specs.changed(specs.SIX, change))


def test_a_narrow_tolerance_moves_the_form_to_a_way_that_decides():
    """u over pins 0.02255, half-sum 0.01 mm: ±0.022 mm is 1.0 and 2.2 of it, 1.96 is needed."""
    spec = narrow("0.022")
    assert {row["way"] for row in rows_of(spec)} == {str(Method.HALF_SUM)}
    facts = inspection.facts(spec)
    assert facts["ways"][0]["role"] == "first choice"
    over = next(way for way in facts["ways"] if way["method"] == "over")
    assert over["role"] == "decides with a finer gauge"
    assert all(row["cells"][0]["limits"] == "none" for row in facts["others"])
    text = words_of(pdf_of(spec))
    assert packed("Write down the length that the readings give") in text
    assert packed("No acceptance zone") not in text


def test_a_gauge_too_coarse_is_told_on_the_form():
    spec = narrow("0.01")
    rods = len(rows_of(spec))
    assert {(row["lower_mm"], row["upper_mm"]) for row in rows_of(spec)} == {("", "")}
    assert packed(f"No acceptance zone for {rods} of {rods} rods") in words_of(pdf_of(spec))


def test_the_decision_rule_stands_on_the_form_in_words():
    text = words_of(pdf_of(specs.spec_of(specs.SIX)))
    assert packed("conforms when its length lies between both specification limits with a "
                  "probability of at least 95 %") in text
    assert packed("standard uncertainty of 0.010 mm") in text
    assert packed("together with the sizes of fittings and gauge pins, the length has a standard "
                  "uncertainty of 0.0225 mm") in text


def test_symbols_that_stand_in_formulas_are_explained():
    symbols = {name: inspection.facts(specs.spec_of(SETS[name]))["symbols"]
               for name in ("six", "balls", "mirrored")}
    assert "d: gauge pin; D: bore; H: boss" in symbols["six"]
    assert "B: ball;" in symbols["balls"]
    assert "P: crosspin;" in symbols["mirrored"]
    assert "P:" not in symbols["six"]


@pytest.mark.parametrize("name", ["six", "balls", "mirrored"])
def test_each_way_is_drawn_with_its_measuring_faces_where_they_touch(name):
    spec = specs.spec_of(SETS[name])
    template = template_of(spec)
    part = spec["parts"][len(spec["parts"]) // 2]
    rod, length = rod_of(part, template), Decimal(part["length_mm"])
    assert set(inspection.pictures(spec)) == {f"way-{way.method}.svg" for way in ways_of(template)}
    for way in ways_of(template):
        drawing = way_drawing(rod, way, load_lettering())
        low = min(box((edge.piece,))[2] for edge in drawing.own(Stroke) if edge.pen is Pen.EDGE)
        spans = [
            (edge.piece.start[0], edge.piece.end[0]) for edge in drawing.own(Stroke)
            if isinstance(edge.piece, Line) and edge.piece.start[1] == edge.piece.end[1] < low - 2
        ]
        expected = float(length + way.shift_mm)
        if way.method is Method.HALF_SUM:
            assert sum(right - left for left, right in spans) / 2 == pytest.approx(
                float(length), abs=1e-3
            )
        elif way.method is Method.OVER_LESS_OWN:
            assert spans[0][1] - spans[0][0] == pytest.approx(float(length) + 4.0, abs=1e-3)
        else:
            # Drawn at nominal size: the sizes' own limits move the contact by hundredths.
            assert spans[0][1] - spans[0][0] == pytest.approx(expected, abs=0.03)
