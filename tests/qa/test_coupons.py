"""Files of coupons: read as spreadsheets write them, every slip asked about with its place."""

from __future__ import annotations

from decimal import Decimal

import pytest

from labkit.core.gauging.ways_of_measuring import Method, ways_of
from labkit.errors import InputError
from labkit.qa.process.coupon_way import to_length
from labkit.qa.process.coupons import read_coupons
from tests.support.rods import templates

GOOD = "coupon,nominal,measured,bore_nominal,bore\na,30,30.02,2.5,2.44\nb,40,40.03,2.5,2.45\n"


def read(text, to_length=None):
    return read_coupons(text.encode(), "c.csv", to_length)


@pytest.mark.parametrize(
    "text",
    [
        GOOD,
        "\ufeff" + GOOD,
        GOOD.replace(",", ";").replace(".", ","),
        GOOD.replace(",", "\t"),
        "bore;measured;coupon;bore_nominal;nominal\n2,44;30,02;a;2,5;30\n2,45;40,03;b;2,5;40\n",
        GOOD.replace("\n", "\r\n"),
    ],
    ids=["plain", "mark", "semicolon", "tab", "order", "crlf"],
)
def test_spreadsheets_of_all_kinds_say_the_same(text):
    first, second = read(text)
    assert (first.name, first.nominal_mm, first.measured_mm) == (
        "a", Decimal(30), Decimal("30.02"),
    )
    assert second.diameters["bore"].measured_mm == Decimal("2.45")


def test_readings_of_one_coupon_count_once():
    text = "coupon,nominal,measured\na,30,30.02\nb,30,30.00\na,30,30.04\n"
    a, b = read(text)
    assert (a.measured_mm, a.read_mm) == (Decimal("30.03"), (Decimal("30.02"), Decimal("30.04")))
    assert (b.measured_mm, b.read_mm) == (Decimal("30.00"), (Decimal("30.00"),))


def test_without_names_each_line_is_a_coupon():
    assert [c.name for c in read("nominal,measured\n30,30.01\n\n30,30.02\n")] == [
        "line 2", "line 4"
    ]


SLIPS = {
    "times ten": ("30,300.2", "one place too far right"),
    "tenth": ("30,3.002", "one place too far left"),
    "hundred": ("30,3002", "decimal sign is missing"),
    "inches": ("30,1.1819", "in inches"),
    "another rod": ("30,34.02", "another rod"),
}


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_asked_about_with_its_place(name):
    row, words = SLIPS[name]
    with pytest.raises(InputError) as caught:
        read(f"nominal,measured\n40,40.02\n{row}\n")
    assert words in str(caught.value)
    assert str(caught.value).startswith("c.csv:3, column 2 (measured): ")


BAD = {
    "empty file": ("", "c.csv"),
    "header alone": ("nominal,measured\n", "no row"),
    "no nominal": ("measured\n30.0\n", "nominal"),
    "no measured": ("nominal\n30.0\n", "measured"),
    "mistyped column": ("nominal,mesured\n30,30.0\n", "measured"),
    "unknown column": ("nominal,measured,colour\n30,30.0,red\n", "colour"),
    "column twice": ("nominal,measured,measured\n30,30.0,30.1\n", "measured"),
    "empty cell": ("nominal,measured\n30,\n", "c.csv:2, column 2 (measured): is empty"),
    "word": ("nominal,measured\n30,long\n", "is not a number"),
    "unit": ("nominal,measured\n30,30.02 mm\n", "has a unit"),
    "nan": ("nominal,measured\n30,nan\n", "not a finite number"),
    "inf": ("nominal,measured\n30,inf\n", "not a finite number"),
    "scientific": ("nominal,measured\n30,3.0E+01\n", "scientific"),
    "date": ("nominal,measured\n30,30. Feb\n", "c.csv:2"),
    "negative": ("nominal,measured\n30,-30.0\n", "out of bounds"),
    "zero": ("nominal,measured\n30,0\n", "out of bounds"),
    "nominal of a house": ("nominal,measured\n3000,3000\n", "out of bounds"),
    "two signs": ("nominal;measured\n30,0;30.02\n", "decimal"),
    "short row": ("nominal,measured,lot\n30\n", "c.csv:2"),
    "long row": ("nominal,measured\n30,30.0,5\n", "c.csv:2"),
    "not utf-8": (b"nominal,measured,lot\n30,30.0,\xe4\xff\n", "UTF-8"),
    "binary": (b"\x00\x01\x02PK\x03\x04", "c.csv"),
    "bore without nominal": ("nominal,measured,bore\n30,30.0,2.5\n", "bore_nominal"),
    "bore tenfold": ("nominal,measured,bore_nominal,bore\n30,30.0,2.5,25\n", "column 4 (bore)"),
    "nameless coupon": ("coupon,nominal,measured\n,30,30.0\n", "c.csv:2, column 1 (coupon)"),
    "one name, two nominals": ("coupon,nominal,measured\na,30,30.0\na,40,40\n", "nominal 40"),
    "one name, two lots": (
        "coupon,nominal,measured,lot\na,30,30.0,x\na,30,30.1,y\n", "the lot y here and x in line 2"
    ),
    "reading without a way": ("nominal,measured,reading\n30,30.0,32.5\n", "--way"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_a_sentence(name):
    text, words = BAD[name]
    raw = text if isinstance(text, bytes) else text.encode()
    with pytest.raises(InputError) as caught:
        read_coupons(raw, "c.csv")
    assert words in str(caught.value)
    assert caught.value.exit_code == 2


def test_every_mistake_of_a_file_is_told_at_once():
    with pytest.raises(InputError) as caught:
        read("nominal,measured\n30,long\n30,300.2\nx,30\n")
    assert len(str(caught.value).splitlines()) == 3


def way(name, method):
    template = templates()[name]
    return to_length(next(w for w in ways_of(template) if w.method is method), template)


def test_over_gauge_pins_the_bores_own_size_counts_and_not_its_nominal():
    """Pins d pressed to the inner sides of bores D: R = L + 2 (d − D/2), with d as it is."""
    pin = templates()["eye-eye-flat"].lower.gauge_pin_mm - Decimal("0.0025")
    bore = Decimal("2.42")
    text = f"nominal,reading,bore_nominal,bore\n30,{Decimal('30.05') + 2 * pin - bore},2.5,{bore}\n"
    (coupon,) = read(text, way("eye-eye-flat", Method.OVER))
    assert coupon.measured_mm == Decimal("30.05")


def test_between_balls_and_over_them_give_one_length():
    text = "nominal,reading,ball_nominal,ball\n30,{},5,4.93\n"
    over = read(text.format("34.95"), way("ball-ball-round", Method.OVER))[0]
    assert over.measured_mm == Decimal("34.95") - Decimal("4.93")


def test_a_coupons_diameter_may_stand_in_any_of_its_rows():
    """The bore is measured once, the length three times."""
    way_over = way("eye-eye-flat", Method.OVER)
    rows = "a,30,32.57,2.5,2.42\na,30,32.59,,\na,30,32.58,,\n"
    (coupon,) = read(f"coupon,nominal,reading,bore_nominal,bore\n{rows}", way_over)
    # R − 2 (d − D/2), pins d = 2.50 less half of their 0.005
    assert coupon.measured_mm == Decimal("32.58") - 2 * Decimal("2.4975") + Decimal("2.42")
    assert coupon.read_mm == (Decimal("32.57"), Decimal("32.59"), Decimal("32.58"))
    with pytest.raises(InputError, match=r"c.csv:3, column 3 \(reading\): = 35.59"):
        read(
            "coupon,nominal,reading,bore_nominal,bore\n"
            + rows.replace("32.59", "35.59"), way_over,
        )


def test_a_column_that_is_missing_is_told_once():
    with pytest.raises(InputError) as caught:
        read("nominal,reading\n" + "30,32.48\n" * 9, way("eye-eye-flat", Method.OVER))
    assert str(caught.value).startswith("c.csv:1: cannot be turned into a length")
    assert len(str(caught.value).splitlines()) == 1


def test_a_way_that_touches_what_was_not_measured_is_refused():
    with pytest.raises(InputError, match="columns bore_nominal and bore"):
        read("nominal,reading\n30,32.48\n", way("eye-eye-flat", Method.OVER))
    with pytest.raises(InputError, match="only a check"):
        way("eye-eye-flat", Method.ENDS)


def test_half_the_sum_and_centres_are_lengths_as_they_are():
    for method in (Method.HALF_SUM, Method.CENTRES):
        (coupon,) = read("nominal,reading\n30,30.03\n", way("eye-eye-flat", method))
        assert coupon.measured_mm == Decimal("30.03")
