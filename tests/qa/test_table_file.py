"""CSV tables as spreadsheets write them: read the same in every dialect, or refused with place."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.errors import InputError, InputErrors
from labkit.tables.cells import day, number, one_of, whole, words
from labkit.tables.file import read_table
from labkit.tables.values import Mistakes

NAMES = ("part", "operator", "value")
HEAD = "part,operator,value\n"


def read(text, **settings):
    raw = text if isinstance(text, bytes) else text.encode()
    return read_table(raw, "study.csv", NAMES, ("trial",), **settings)


def values(table, low=-5000, high=5000):
    return [number(row["value"], table, low, high) for row in table.rows]


def refusal(text, low=-5000, high=5000, **settings):
    with pytest.raises(InputError) as caught:
        values(read(text, **settings), low, high)
    return str(caught.value)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("decimal", [".", ","])
def test_every_dialect_reads_the_same(encoding, ending, delimiter, decimal):
    rows = [
        ["  Value ", "OPERATOR", "part", "", ""],
        [f'"36{decimal}08"', "änne", "'=P-1", "", ""],
        ["", "", "", "", ""],
        [f'"-0{decimal}5"', '"a ""b"""', " P2 ", "", ""],
    ]
    text = ending.join(delimiter.join(row) for row in rows) + ending
    table = read(text.encode(encoding))
    assert (table.delimiter, table.decimal) == (delimiter, decimal)
    assert values(table) == [Decimal("36.08"), Decimal("-0.5")]
    assert [row["part"].text for row in table.rows] == ["=P-1", "P2"]
    assert [row["operator"].text for row in table.rows] == ["änne", 'a "b"']
    assert [row["value"].line for row in table.rows] == [2, 4]
    assert table.header == ("Value", "OPERATOR", "part", "", "")


@st.composite
def tables(draw):
    plain = st.text("abcXYZäß019 .-_/%", min_size=1, max_size=8)
    word = plain.map(str.strip).filter(lambda text: text and not text.startswith(("=", "'")))
    figure = st.decimals(-400, 400, places=2)
    return draw(st.lists(st.tuples(word, word, figure), min_size=1, max_size=6))


@given(
    tables(), st.sampled_from([",", ";", "\t"]), st.sampled_from(".,"),
    st.permutations(range(3)), st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    st.sampled_from([csv.QUOTE_ALL, csv.QUOTE_MINIMAL]),
)
def test_what_any_dialect_writes_is_read_back(rows, delimiter, decimal, order, encoding, quoting):
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, delimiter=delimiter, quoting=quoting)
    for row in (NAMES, *((a, b, str(c).replace(".", decimal)) for a, b, c in rows)):
        writer.writerow([row[k] for k in order])
    table = read(stream.getvalue().encode(encoding), numbers=["value"])
    assert table.delimiter == delimiter
    assert table.decimal == decimal
    assert values(table) == [row[2] for row in rows]
    assert [(row["part"].text, row["operator"].text) for row in table.rows] == [
        (part, operator) for part, operator, _ in rows
    ]


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_with_a_sentence(raw):
    said = "study.csv"
    try:
        read(HEAD.encode() + raw)
    except InputErrors as error:
        said = str(error)
    assert said.startswith("study.csv")


SPOILED = [
    ("36.08mm", "unit"), ("36.08 mm", "unit"), ("36 µm", "unit"), ("5 %", "unit"), ('36"', "unit"),
    ("nan", "finite"), ("-inf", "finite"), ("1e5", "scientific"), ("3.6E+01", "scientific"),
    ("1.234.567", "thousands"), ("1 234.5", "thousands"), ("1'234", "thousands"),
    ("1\u202f234", "thousands separator"), ("12. Mai", "date"), ("May-36", "date"),
    ("12.05.2031", "date"), ("12/5", "not a number"), ("36.", "ends with"), ("abc", "not a number"),
    ("3 6.08", "not a number"), ("--3", "not a number"), ("٣٦", "not a number"), ("", "empty"),
    ("9" * 40, "characters"), ("5000.1", "out of bounds"), ("#REF!", "error"), ("#N/A", "error"),
    ("#BEZUG!", "error"), ("#DIV/0!", "error"), ("Err:502", "error"), ("####", "error"),
    ("=A1+3", "formula"), ("'=A1", "not a number"), ("０.5", "not a number"),
]


@pytest.mark.parametrize(("text", "reason"), SPOILED, ids=[repr(text) for text, _ in SPOILED])
def test_a_cell_that_is_no_plain_number_is_refused_with_its_place(text, reason):
    quoted = text.replace('"', '""')
    said = refusal(f'{HEAD}P1,anna,"36"\nP2,anna,"{quoted}"\n')
    assert said.startswith("study.csv:3, column 3 (value): ")
    assert reason in said


BROKEN = [
    ("Part,Operater,value\nA,x,1", "study.csv:1, column 2 .Operater.: .*`operator`"),
    ("part,operator\nA,x", "study.csv:1: has no column `value`"),
    ("part,operator,value,value\nA,x,1,2", "column 4 .value.: is the heading of column 3 too"),
    ("part,operator,value,colour\nA,x,1,red", "column 4 .colour.: is not a known column"),
    ("part,operator,value,\nA,x,1,2", "study.csv:2, column 4: .*no name of a column"),
    ("part;operator;value\nA;x;1;2", "study.csv:2, column 4: .*no name of a column"),
    (HEAD + "A,x,36,08\n", "study.csv:2: has 4 fields, the first line has 3.*quotes"),
    (HEAD + "A,x,36,08,\n", "study.csv:2: has 5 fields"),
    (HEAD + "A,x\n", "study.csv:2: has 2 fields"),
    ("part;operator;value\nA;x;36.5\nB;x;36,5\nC;x;3,5", "2, column 3 .*line 3, column 3"),
    ("part,operator;value\nA,x;1", "study.csv:1: .*commas or semicolons"),
    ("part|operator|value\nA|x|1", "study.csv:1: has no column `part`"),
    (HEAD, "study.csv: has no row"),
    (HEAD + ",,\n \n", "study.csv: has no row"),
    ("", "study.csv: is empty"),
    ("\n\n", "study.csv: is empty"),
    (HEAD + 'A,x,"1', "study.csv:2: has quotes that do not match"),
    (HEAD + 'A,x,"1"2', "study.csv:2: has quotes that do not match"),
    (HEAD + "4.82917E+09,x,1", "study.csv:2, column 1 .part.: .*scientific"),
    ("sep=|\npart|operator|value\n", "study.csv:1: .*separator"),
    (b"PK\x03\x04....", "study.csv: is a spreadsheet's own workbook"),
    (b"%PDF-1.7", "study.csv: is a PDF"),
    (HEAD.encode() + "A,µ,1".encode("cp1252"), "study.csv:2: .*UTF-8"),
    (HEAD.encode("utf-16-le"), "study.csv:1: is not a text file"),
    (b"\xff\xfea", "study.csv:1: .*UTF-16"),
    (HEAD + "A,x\0,1", "study.csv:2: is not a text file"),
    (b" " * 5_000_001, "larger than 5 MB"),
]


@pytest.mark.parametrize(("raw", "pattern"), BROKEN, ids=range(len(BROKEN)))
def test_a_broken_table_is_refused_with_its_place(raw, pattern):
    data = raw if isinstance(raw, bytes) else raw.encode()
    with pytest.raises(InputErrors, match=pattern):
        read(data)


def test_all_mistakes_are_told_at_once():
    with pytest.raises(InputErrors) as caught:
        read(HEAD.replace("value", "valeu") + "#REF!,x,1\nA,=B2,1\n")
    assert [error.where.split(",")[0] for error in caught.value.errors] == [
        "study.csv:1", "study.csv:2", "study.csv:3",
    ]


def test_a_thousand_mistakes_of_one_kind_are_told_in_one_sentence():
    with pytest.raises(InputErrors) as caught:
        read(HEAD + "A,x,#REF!\n" * 1000)
    (told,) = caught.value.errors
    assert str(told).startswith('study.csv:2, column 3 (value): "#REF!" is an error')
    assert told.message.endswith("; likewise in 999 more cells: lines 3 to 1001")


def test_of_very_many_kinds_the_first_are_told():
    mistakes = Mistakes()
    for word in range(45):
        mistakes.add(InputError(f"word {'x' * word} is wrong", where="a.csv:2"))
    with pytest.raises(InputErrors, match="and 5 more mistakes in this file") as caught:
        mistakes.stop()
    assert len(caught.value.errors) == 41


def test_mistakes_of_one_kind_in_several_columns_are_told_together():
    mistakes = Mistakes()
    for line in (2, 3, 5):
        for column in (7, 8):
            where = f"a.csv:{line}, column {column} (x)"
            mistakes.add(InputError(f'"{line}{column}" is odd', where=where))
    mistakes.add(InputError('"1" is even', where="a.csv:9, column 7 (x)"))
    mistakes.add(InputError('"2" is even', where="a.csv:9, column 8 (x)"))
    mistakes.add(InputError("has 3 fields", where="a.csv:6"))
    with pytest.raises(InputErrors) as caught:
        mistakes.stop()
    assert [str(error) for error in caught.value.errors] == [
        'a.csv:2, column 7 (x): "27" is odd; likewise in 5 more cells: columns 7 and 8 of lines 2, '
        "3 and 5",
        'a.csv:9, column 7 (x): "1" is even', 'a.csv:9, column 8 (x): "2" is even',
        "a.csv:6: has 3 fields",
    ]


def test_one_sign_that_could_part_thousands_is_never_guessed():
    said = refusal(HEAD + 'A,x,"1,234"\nB,x,"2,500"\n')
    assert '"1,234" could be 1.234 or 1234' in said
    # Another cell proves the sign, or the bounds leave one meaning.
    assert values(read(HEAD + 'A,x,"1,234"\nB,x,"2,5"\n'))[0] == Decimal("1.234")
    assert values(read(HEAD + 'A,x,"1,234"\n'), 0, 200) == [Decimal("1.234")]
    assert values(read(HEAD + "A,x,36.085\n"), 0, 200) == [Decimal("36.085")]


def test_text_like_a_number_does_not_decide_the_decimal_sign():
    text = "part;operator;value\n3.2;x;36,08\n"
    assert values(read(text, numbers=["value"])) == [Decimal("36.08")]
    assert "one decimal sign" in refusal(text)
    mixed = read("part;operator;value\n3.2;x;36,08\n", numbers=["value"])
    with pytest.raises(InputError, match="decimal point, other numbers"):
        number(mixed.rows[0]["part"], mixed, 0, 100)


def test_a_single_column_needs_no_separator():
    table = read_table(b"value\n36,08\n36,1\n", "v.csv", ["value"])
    assert values(table) == [Decimal("36.08"), Decimal("36.1")]


def test_other_columns_are_passed_over_only_when_asked_for():
    text = "part;note;operator;value\nA;=1;x;1\n"
    assert "not a known column" in refusal(text)
    assert values(read(text, ignore_others=True)) == [1]
    with pytest.raises(InputErrors, match="did you mean `trial`"):
        read("part;operator;value;trail\nA;x;1;1\n", ignore_others=True)


def test_a_declared_separator_counts_and_lines_stay_right():
    table = read("sep=;\npart;operator;value\nA;x;1,5\n")
    assert (table.rows[0]["value"].line, table.delimiter) == (3, ";")


def test_a_quoted_line_break_does_not_shift_the_lines_after_it():
    table = read(HEAD + '"A\nB",x,1\nC,x,2\n')
    assert [row["part"].line for row in table.rows] == [2, 4]


def cell(text):
    table = read(f'part,operator,value\n"{text}",x,1\n')
    return table.rows[0]["part"], table


@pytest.mark.parametrize("text", ["2031-03-20", "20.03.2031", "20.3.2031"])
def test_days(text):
    assert day(*cell(text)).isoformat() == "2031-03-20"


@pytest.mark.parametrize(
    ("text", "reason"),
    [("3/4/2031", "day or the month first"), ("2031-02-30", "does not exist"), ("soon", "not a"),
     ("20.03.31", "not a date"), ("", "is empty")],
)
def test_days_that_are_none(text, reason):
    with pytest.raises(InputError, match=rf"study.csv:2, column 1 \(part\): .*{reason}"):
        day(*cell(text))


@pytest.mark.parametrize("text", ["0", "21", "3.0", "-3", "three", "", "²", "9" * 5000])
def test_whole_numbers_are_digits_within_bounds(text):
    assert whole(*cell("3"), 1, 20) == 3
    with pytest.raises(InputError, match="a whole number from 1 to 20"):
        whole(*cell(text), 1, 20)


def test_words_of_a_list():
    assert one_of(*cell("YES"), ("yes", "no")) == "yes"
    with pytest.raises(InputError, match="did you mean `yes`"):
        one_of(*cell("yess"), ("yes", "no"))
    with pytest.raises(InputError, match="is empty; give one of yes, no"):
        one_of(*cell(""), ("yes", "no"))


def test_text_is_printable_and_not_too_long():
    assert words(*cell("anna")) == "anna"
    for text in ("", "x" * 81, "a\nb"):
        with pytest.raises(InputError, match="printable text of 1 to 80"):
            words(*cell(text))


def test_mistakes_are_collected():
    table = read(HEAD + "A,x,1\nB,x,mm\nC,x,\n")
    mistakes = Mistakes()
    got = [mistakes.take(number, row["value"], table, 0, 10) for row in table.rows]
    assert got == [1, None, None]
    with pytest.raises(InputErrors) as caught:
        mistakes.stop()
    assert [error.where for error in caught.value.errors] == [
        "study.csv:3, column 3 (value)", "study.csv:4, column 3 (value)",
    ]
