"""Reading prescriptions: every mistake at once, with file, line, key, value and what is allowed."""

from __future__ import annotations

import re
import time
from decimal import Decimal

import pytest

from labkit.catalog.places import templates_dir
from labkit.catalog.prescriptions import read_prescription
from labkit.catalog.rods import rod_templates
from labkit.core.form.table import keys_table
from labkit.core.grading.jaw_averages import bonwill_condyles
from labkit.core.grading.prescription import Action, GradingUnit, JawModelName, Prescription, Zero
from labkit.errors import EXIT_REFUSED, EXIT_UNREADABLE, InputError, InputErrors
from tests.support.prescriptions import SMALLEST, changed, hinged, sliding, source

TEMPLATES = rod_templates()


def read(text):
    return read_prescription(source(text), TEMPLATES)[0]


def mistakes(text):
    with pytest.raises(InputErrors) as caught:
        read(text)
    return caught.value


def test_the_smallest_prescription():
    rx = read(SMALLEST)
    assert (rx.case, rx.date.isoformat()) == ("QF-1043", "2031-03-14")
    assert rx.bite.zero is Zero.RETRUDED
    assert (rx.bite.retruded, rx.bite.protruded) == (Decimal("-5.2"), Decimal("6.4"))
    assert rx.bite.midline_deviation_mm == 0
    assert rx.action is Action.PULL
    assert rx.left.pin_distance_mm == rx.right.pin_distance_mm == 33.6
    assert rx.jaw.model is JawModelName.STRAIGHT
    assert rx.grading.unit is GradingUnit.PERCENT
    assert rx.grading.listed[1] == Decimal("62.5")
    assert rx.grading.grid_mm == Decimal("0.1")


def test_averages_are_filled_in_and_named():
    rx = read(hinged())
    assert rx.jaw.assumed == (
        "condylar_inclination",
        "condyle_left",
        "condyle_right",
        "contact_inclination",
        "pads_left",
        "pads_right",
        "incisal",
    )
    assert (rx.jaw.condyle_left, rx.jaw.condyle_right) == bonwill_condyles((0.0, 0.0, 0.0))


@pytest.mark.parametrize("given", ["31", "[31, 34]", "{ left = 31, right = 34 }"])
def test_condylar_inclination_for_both_sides_or_each(given):
    text = changed(hinged(), ('"hinged"', f'"hinged"\ncondylar_inclination = {given}'))
    rx = read(text)
    assert rx.jaw.condylar_inclination_deg == (31.0, 31.0 if given == "31" else 34.0)
    assert "condylar_inclination" not in rx.jaw.assumed


def test_every_mistake_at_once_in_the_order_of_the_lines():
    text = changed(
        SMALLEST,
        ("date = 2031-03-14", 'date = "2031-03-14"\ncolour = 3'),
        ("retruded = -5.2", "retrudet = -5.2"),
        ("protruded = 6.4", 'protruded = "6.4"'),
        ('"eye-eye-flat"', '"eye-eye-flt"'),
        ("start = 62.5", "steps = 4"),
    )
    error = mistakes(text)
    assert [str(e) for e in error.errors] == [
        'rx.toml:3: date = "2031-03-14" is not usable; allowed is a date such as 2031-03-14, '
        "without quotes",
        "rx.toml:4: colour is not a known key; known here are schema, case, date, prescriber, "
        "notes, case_mark, bite, appliance, jaw, grading",
        "rx.toml:8: bite.retrudet is not a known key; did you mean `retruded`?",
        'rx.toml:9: bite.protruded = "6.4" is not usable; allowed is a number in mm from -30 to '
        "30; write 6.4, without quotes",
        'rx.toml:14: appliance.template = "eye-eye-flt" is not known; did you mean `eye-eye-flat`? '
        f"known are {', '.join(TEMPLATES)}",
        "rx.toml:17: grading gives percent, steps; give the steps in one way: `percent` or "
        "`advancement` as a list, or `first`, `last` and one of `step` and `steps`",
    ]
    assert error.exit_code == EXIT_UNREADABLE


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("schema = 1", "schema = 2", "rx.toml:1: schema = 2 is not usable; allowed is 1"),
        ('case = "QF-1043"', 'case = ""', "rx.toml:2: case is still to be filled in"),
        ('case = "QF-1043"', 'case = "a\\nb"', 'rx.toml:2: case = "a\\nb" is not usable'),
        ('case = "QF-1043"', "case = 1043", "rx.toml:2: case = 1043 is not usable"),
        ('case = "QF-1043"', f'case = "{"9" * 41}"', "printable text of 1 to 40 characters"),
        ('case = "QF-1043"', "", "rx.toml:1: case is missing; give printable text"),
        ('zero = "retruded"', "", "bite.zero is missing"),
        ("retruded = -5.2", "retruded = true", "rx.toml:7: bite.retruded = true is not usable"),
        ("retruded = -5.2", "retruded = nan", "is still to be filled in (nan is no number); give"),
        ("retruded = -5.2", "retruded = inf", "bite.retruded = Infinity is not usable"),
        ("retruded = -5.2", "", 'bite.retruded is missing; zero = "retruded" counts from it'),
        ("registered = 2.9", "registered = 290", "a number in mm from -30 to 30"),
        ('"pull"', '"tow"', 'appliance.action = "tow" is not usable; allowed is "pull" or "push"'),
        ("pin_distance = 33.6", "pin_distance = 3.36", "a number in mm from 5 to 120"),
        ("percent = [50,", 'percent = [\n50,\n"x",', 'grading.percent[2] = "x"'),
        (
            "percent = [50, 62.5, 75, 87.5, 100]",
            "first = 50\nlast = 100",
            "grading gives first, last; a series needs",
        ),
        ("percent = [50, 62.5, 75, 87.5, 100]", "", "grading gives nothing; give the steps"),
        ("start = 62.5", 'unit = "mm"', "contradicts `percent`, a list in percent"),
        (
            "start = 62.5", "start = 62.5\nstart_step = 2",
            "rx.toml:19: grading.start_step = 2 is given together with start = 62.5; "
            "name the starting step in one way",
        ),
        ("start = 62.5", "grid = 0", "grading.grid = 0 is not usable"),
        ("start = 62.5", "grid = 0.0123", "allowed is a multiple of 0.01 mm from 0.01 to 1"),
        (
            "percent = [50, 62.5, 75, 87.5, 100]\nstart = 62.5",
            'advancement = [5, 6, 7]\nunit = "percent"',
            "contradicts `advancement`, a list in mm",
        ),
        ("schema = 1", "schema = 1.0", "schema = 1.0 is not usable; allowed is 1"),
        ("start = 62.5", '"sta\\nrt" = 62.5', "grading.'sta\\nrt' is not a known key"),
    ],
)
def test_one_mistake_one_sentence(old, new, sentence):
    assert sentence in str(mistakes(changed(SMALLEST, (old, new))))


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "[appliance.left]",
            "pin_distance = 27\n[appliance.left]\npin_distance = 27.4",
            "appliance.left.pin_distance = 27.4 contradicts appliance.pin_distance = 27",
        ),
        (
            "upper = [-8, 27, 4]",
            "upper = [-8, -27, 4]",
            "appliance.left.upper has y = -27, which is not on the patient's left",
        ),
        (
            "lower = [-33, -29, -7]",
            "lower = [-33, 29, -7]",
            "appliance.right.lower has y = 29, which is not on the patient's right",
        ),
    ],
)
def test_sides_that_contradict_are_refused(old, new, sentence):
    error = mistakes(changed(sliding(), (old, new)))
    assert sentence in str(error)
    assert error.exit_code == EXIT_REFUSED


def test_half_an_anchor_is_missing_the_other():
    error = mistakes(changed(sliding(), ("lower = [-33, 29, -7]\n", "")))
    assert "rx.toml:17: appliance.left.lower is missing; give both anchor points" in str(error) or (
        "appliance.left.lower is missing; give both anchor points" in str(error)
    )


def test_deviation_needs_retruded():
    text = changed(hinged(), ('zero = "retruded"', 'zero = "habitual"'), ("retruded = -4.0\n", ""))
    assert "midline_deviation is counted from retruded" in str(mistakes(text))


def test_keys_of_another_model_are_noted():
    text = changed(sliding(), ("path_inclination = 8", "path_inclination = 8\nincisal = [0, 0, 0]"))
    _, notes = read_prescription(source(text), TEMPLATES)
    assert [finding.code for finding in notes] == ["unused_key"]
    assert notes[0].message == "jaw.incisal is given, but the sliding jaw model does not use it"


def test_notes_in_triple_quotes_lose_the_line_break_at_their_end():
    text = changed(SMALLEST, ("date = 2031", 'notes = """\nfirst\nsecond\n"""\ndate = 2031'))
    assert read(text).notes == "first\nsecond"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("a = " + "9" * 5000, "a number or date in it cannot be read"),
        ("a = " + "[" * 5000, "nested too deeply"),
    ],
)
def test_text_that_python_cannot_read_is_told_in_our_words(text, sentence):
    with pytest.raises(InputError, match=sentence) as caught:
        read(text)
    assert "sys." not in str(caught.value)
    assert "recursion" not in str(caught.value)


def test_a_long_word_is_read_at_once_and_a_deep_key_is_none():
    begun = time.process_time()
    assert source(f'case = "{"x" * 50_000}"').data["case"]
    assert time.process_time() - begun < 1  # a minute where each letter was a beginning
    for key in ("a." * 100 + "b = 1", "'a' . " * 100 + "b = 1", "[" + "x." * 100 + "y]"):
        with pytest.raises(InputError, match="a key of more than a hundred parts between points"):
            source(key)


@pytest.mark.parametrize("text", ["a = ", "[bite\n", "x = [1 2]", "\x00", "a = 1979-13-01"])
def test_text_that_is_not_toml_names_the_line(text):
    with pytest.raises(InputError, match=r"rx\.toml:\d+: is not valid TOML: "):
        read(text)


def test_lines_are_found_in_every_form_of_toml():
    text = (
        'schema = 1\ncase = """\nQF\n"""\ndate = 2031-03-14\nbite = { zero = "retruded" }\n\n'
        "[appliance]\n\"action\" = 'tow'\nleft.upper = [1, 2, # three\n 3]\n[[grading]]\n"
    )
    found = source(text)
    assert found.line_of(("date",)) == 5
    assert found.line_of(("bite", "zero")) == 6
    assert found.line_of(("appliance", "action")) == 9
    assert found.line_of(("appliance", "left", "upper")) == 10
    assert found.line_of(("grading",)) == 12


@pytest.mark.parametrize("model", list(JawModelName))
def test_a_blank_file_asks_for_everything_and_then_reads(model):
    text = (templates_dir() / "prescriptions" / f"blank-{model}.toml").read_text("utf-8")
    asked = mistakes(text)
    assert all("still to be filled in" in str(e) for e in asked.errors)
    anchors = {"left": "[-8, 27, 4]", "right": "[-8, -27, 4]"}
    for side, upper in anchors.items():
        lower = upper.replace("-8", "-33").replace("4]", "-7]")
        text = text.replace(
            f"[appliance.{side}]\nupper = [nan, nan, nan]\nlower = [nan, nan, nan]",
            f"[appliance.{side}]\nupper = {upper}\nlower = {lower}",
        )
    for key, value in {
        'case = ""': 'case = "X-1"',
        'date = ""': "date = 2031-01-02",
        'zero = ""': 'zero = "retruded"',
        "retruded = nan": "retruded = -4",
        "protruded = nan": "protruded = 5.2",
        "registered = nan": "registered = 2",
        'action = ""': 'action = "pull"',
        "pin_distance = nan": "pin_distance = 30",
        "path_inclination = nan": "path_inclination = 5",
        "percent = []": "percent = [50, 65]",
    }.items():
        text = re.sub(rf"(?m)^{re.escape(key)}", value, text)
    assert read(text).jaw.model is model


@pytest.mark.parametrize("model", list(JawModelName))
def test_a_blank_file_holds_no_clinical_value_even_behind_a_sign(model):
    text = (templates_dir() / "prescriptions" / f"blank-{model}.toml").read_text("utf-8")
    values = re.findall(r"(?m)^(?:# )?([a-z_]+) = ([^#\n]*)", text)
    assert len(values) > 20
    assert [key for key, value in values if re.search(r"[0-9]", value)] == ["schema"]
    assert not re.search(r"\[-?\d", text)


def test_every_key_stands_in_a_blank_file():
    table = keys_table(Prescription)
    keys = set(re.findall(r"`(?:[a-z]+\.)*([a-z_]+)`", table)) - {"unit", "advancement"}
    blanks = "".join(
        (templates_dir() / "prescriptions" / f"blank-{m}.toml").read_text("utf-8")
        for m in JawModelName
    )
    missing = {key for key in keys if not re.search(rf"(?m)^(# )?{key} =|[ .]{key}\b", blanks)}
    assert missing == set()
