"""`labkit inspect` as QA uses it: files of every dialect, the prompt, what is recorded."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest
from click.testing import CliRunner

from labkit.catalog.places import templates_dir
from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.ledger.store import open_ledger
from tests.support.inspection import CASE, SET, TODAY, Form, record_set
from tests.support.prescriptions import SMALLEST


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """A ledger with one set, its form filled in, and a way to run the command."""
    monkeypatch.setattr("labkit.cli.clock.now", lambda: TODAY)
    monkeypatch.delenv("LABKIT_BY", raising=False)
    return Bench(tmp_path)


class Bench:
    def __init__(self, folder, text=SMALLEST):
        self.folder, self.url = folder, str(folder / "ledger.sqlite")
        with open_ledger(self.url) as ledger:
            self.spec = record_set(ledger, text)
        self.form = Form(self.spec).fill()

    def run(self, *words, typed=None):
        return CliRunner().invoke(
            cli, ["inspect", CASE, *words, "--ledger", self.url], input=typed
        )

    def file(self, raw=None, name="readings.csv"):
        path = self.folder / name
        path.write_bytes(self.form.raw() if raw is None else raw)
        return str(path)

    def readings(self):
        with open_ledger(self.url) as ledger:
            return [r for rod in ledger.rods(CASE) for r in ledger.readings(rod.identifier)]


@pytest.mark.parametrize(
    ("delimiter", "decimal", "encoding"),
    [
        (",", ".", "utf-8"), (";", ",", "utf-8-sig"), ("\t", ",", "utf-16"), (";", ".", "utf-8"),
        (",", ",", "utf-8"), ("\t", ".", "utf-16"),
    ],
)
def test_every_dialect_of_a_spreadsheet_gives_the_same(bench, delimiter, decimal, encoding):
    plain = bench.run(bench.file(), "--json")
    other = bench.run(bench.file(bench.form.raw(delimiter, decimal, encoding)), "--json")
    assert (plain.exit_code, other.exit_code) == (0, 0), other.output
    assert json.loads(other.stdout) == json.loads(plain.stdout)


def test_columns_stand_in_any_order_and_most_may_be_missing(bench):
    bench.form.columns = ["reading_1_mm", "way", "gauge_pins_mm", "identifier", "reading_2_mm"]
    result = bench.run(bench.file(bench.form.raw() + b",,,,\r\n\r\n"), "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert [len(rod["readings_mm"]) for rod in told["rods"]] == [2] * 10
    assert told["findings"][-1]["code"] == "not_looked_at"


def test_without_an_operator_it_decides_and_records_nothing(bench, reports):
    result = bench.run(bench.file())
    assert result.exit_code == 0
    assert reports[0].sections[-1].heading == f"Set {SET}: conforms"
    assert "Nothing was recorded; give an operator code with --by" in result.stdout
    assert bench.readings() == []


def test_a_set_is_recorded_once_and_again_only_with_a_reason(bench):
    path = bench.file()
    first = bench.run(path, "--by", "quinn", "--lot", "B-7")
    assert first.exit_code == 0, first.output
    assert "Recorded by quinn: 10 rods, entries 5 to 14" in first.stdout
    assert "put right what is named above, since no release is possible yet" in first.stdout
    again = bench.run(path, "--by", "quinn")
    assert again.exit_code == 1
    assert "already measured: 35.9 left" in again.stderr
    assert "and 6 more; nothing was recorded" in again.stderr
    before = bench.readings()
    third = bench.run(path, "--by", "quinn", "--again", "rods cleaned")
    assert third.exit_code == 0
    after = bench.readings()
    assert (len(before), len(after)) == (10, 10)
    assert {r.note for r in after} == {"measured again: rods cleaned"}
    assert min(r.stamp.seq for r in after) == 15


def test_what_the_record_keeps_of_a_reading(bench):
    bench.form.set(2, remark="burr removed", temperature_c="20.5", measured_on="2031-03-19")
    path = bench.file()
    bench.run(path, "--by", "quinn", "--lot", "B-7", "--instrument", "example-calliper")
    reading = bench.readings()[0]
    details = dict(reading.details)
    row = bench.form.rows[0]
    readings = [row[f"reading_{k}_mm"] for k in (1, 2, 3)]
    mean = sum(map(float, readings)) / 3
    assert (reading.quantity, reading.gauge, reading.note) == (
        "over", "example-calliper", "burr removed",
    )
    assert reading.value_um == round(mean * 1000)
    assert details["readings_mm"] == readings
    assert details["length_mm"] == pytest.approx(mean - 2.475, abs=1e-9)
    assert details["way"] == {"method": "over", "shift_mm": 2.475, "play_mm": 0.035}
    assert details["source"]["file"] == "readings.csv"
    assert details["source"]["line"] == 2
    assert details["instrument"]["name"] == "example-calliper"
    u = sum(part["u_mm"] ** 2 for part in details["budget"]) ** 0.5
    assert reading.uncertainty_nm == round(u * 1e6)
    told = {key: details[key] for key in (
        "nominal_mm", "tolerance_mm", "gauge_pins_mm", "label_read", "fittings", "temperature_c",
        "material_lot", "measured_on", "measured_by", "checked_by", "result",
    )}
    assert told == {
        "nominal_mm": "35.9", "tolerance_mm": "0.15", "gauge_pins_mm": "2.50",
        "label_read": "35.9", "fittings": "yes", "temperature_c": 20.5, "material_lot": "B-7",
        "measured_on": "2031-03-19", "measured_by": "quinn", "checked_by": None,
        "result": "conforms",
    }


def test_a_part_is_decided_on_with_what_was_recorded_before(bench, reports):
    rows = list(bench.form.rows)
    bench.form.rows = rows[:4]
    bench.run(bench.file(), "--by", "quinn")
    bench.form.rows = rows[4:]
    bench.run(bench.file(), "--by", "quinn")
    part, rest = (report.words for report in reports)
    assert "4 of 10 rods measured; undecided so far" in part
    assert f"Set {SET}: conforms" in rest
    assert "From the record: " in rest


def test_another_way_of_measuring_is_converted(bench):
    for row in bench.form.rows:
        row.update(way="between", subtract_mm="", nominal_mm="", lower_mm="", upper_mm="")
        for k in (1, 2, 3):
            row[f"reading_{k}_mm"] = f"{float(row[f'reading_{k}_mm']) - 2 * 2.475:.3f}"
    result = bench.run(bench.file(), "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["result"] == "conforms"
    assert {rod["way"] for rod in told["rods"]} == {"between"}


def test_mixed_up_rods_are_named_and_both_held(bench, reports):
    rows = bench.form.rows
    for k in (1, 2, 3):
        name = f"reading_{k}_mm"
        rows[0][name], rows[2][name] = rows[2][name], rows[0][name]
    result = bench.run(bench.file(), "--by", "quinn")
    assert result.exit_code == 0
    one, two = (grouped(each) for each in (bench.form.identifiers()[at] for at in (0, 2)))
    words = reports[0].words
    assert f"\n35.9 left ({one}) measures" in words
    assert f"34.5 left ({two}) measures" in words
    keep = next(line for line in words.splitlines() if line.startswith("Keep back: "))
    assert keep == f"Keep back: {', '.join(sorted((one, two)))}"
    assert f"First find out which rods these are: {one}, {two}; measure them" in result.stdout
    assert "labkit replace" not in result.stdout
    assert len(bench.readings()) == 10


def test_what_is_wrong_is_to_be_replaced(bench):
    bench.form.readings(2, "38.60", "38.61").set(5, fittings="no")
    result = bench.run(bench.file(), "--by", "quinn")
    ids = [bench.form.identifiers()[at] for at in (0, 3)]
    assert result.stdout.splitlines()[-1] == (
        f"Reject with `labkit reject {' '.join(ids)} --cause …`; add --new --out … to make "
        "replacements at once"
    )


def test_labels_that_nobody_read_come_before_the_release(bench):
    bench.form.every(label_read="")
    result = bench.run(bench.file(), "--by", "quinn")
    told = "read every label, check every fitting and look at every rod, record that"
    assert told in result.stdout


def test_a_mirror_part_typed_without_its_side_is_asked_for_it(tmp_path, monkeypatch):
    monkeypatch.setattr("labkit.cli.clock.now", lambda: TODAY)
    bench = Bench(tmp_path, SMALLEST.replace('"eye-eye-flat"', '"crosspin-eye-flat"'))
    typed = "35.9\n33\n35,9 l\n"
    result = bench.run("--by", "quinn", typed=typed)
    assert "which is 35.9L; these rods bear L after the number, type it, too" in result.stderr
    assert '"33" is not the label of this rod, which is 35.9L; read it again' in result.stderr
    assert "reading 1, mm" in result.stderr


def test_a_really_bad_rod_can_be_recorded(bench):
    bench.form.readings(2, "37.31", "37.32", "37.31")
    asked = bench.run(bench.file(), "--by", "quinn")
    assert asked.exit_code == 2
    assert "1.065 mm off" in asked.stderr
    assert "where it is really so, give --as-typed" in asked.stderr
    assert bench.readings() == []
    taken = bench.run(bench.file(), "--by", "quinn", "--as-typed")
    assert taken.exit_code == 0, taken.output
    assert bench.readings()[0].details["result"] == "does not conform"


TYPED = "\n".join


def test_typed_in_rod_by_rod(bench):
    typed = TYPED([
        "35.9", "38.39", "38.40", "38.40", "yes",
        "35.9", "383.9", "38.39", "", "y",       # ten times too large: typed again
        "34.5", "37.79", "37.79", "37.80", "", "yes",  # far off: typed twice, and then kept
        "33.9", "34.5", "37.00", "", "no",       # label read wrong, read again
        "", "stop",
        "1", "35.9", "38.41", "", "yes",         # the first one corrected
        "", "ok", "y",
    ]) + "\n"
    result = bench.run("--by", "quinn", typed=typed)
    assert result.exit_code == 0, result.output
    assert "383.9 typed, 38.375 expected" in result.stderr
    assert "ten times too large" in result.stderr
    assert '"33.9" is not the label of this rod, which is 34.5' in result.stderr
    found = {r.identifier: r for r in bench.readings()}
    ids = bench.form.identifiers()
    assert list(found) == ids[:4]
    assert [found[each].details["readings_mm"] for each in ids[:4]] == [
        ["38.41"], ["38.39"], ["37.79", "37.80"], ["37.00"],
    ]
    assert [found[each].details["fittings"] for each in ids[:4]] == ["yes", "yes", "yes", "no"]


def test_back_takes_the_last_answer_again(bench):
    typed = TYPED([
        "35.9", "38.37", "38.44", "back", "38.38", "", "yes",  # the second reading again
        "35.9", "back", "35.9", "38.40", "", "yes",            # from the first reading to the label
        "back", "35.9", "38.39", "", "",                       # the rod before once more
        "stop", "", "ok", "y",
    ]) + "\n"
    result = bench.run("--by", "quinn", typed=typed)
    assert result.exit_code == 0, result.output
    kept = [r.details["readings_mm"] for r in bench.readings()]
    assert kept == [["38.37", "38.38"], ["38.39"]]


def test_what_is_no_label_is_not_taken_for_one(bench):
    """An arrow key sends signs that nobody sees; capitals do not matter in a command."""
    typed = TYPED([
        "\x1b[A", "\x1b[A", "38.40 38.41 38.40 38.4", "35.9", "BACK", "35.9", "38.40", "", "yes",
        "STOP", "", "ok", "y",
    ]) + "\n"
    result = bench.run("--by", "quinn", typed=typed)
    assert result.exit_code == 0, result.output
    assert result.stderr.count("that is not a label; type what is engraved on the rod") == 3
    (kept,) = bench.readings()
    assert (kept.details["label_read"], kept.details["readings_mm"]) == ("35.9", ["38.40"])


def test_the_table_tells_limits_that_never_accept_more(bench, reports):
    """As `labkit limits`: 35.75 + 1.645 × 0.022546 = 35.78709, rounded inwards."""
    result = bench.run(bench.file())
    CliRunner().invoke(cli, ["limits", CASE, "--ledger", bench.url])
    inspected, limits = reports
    zone = (Decimal("35.788"), Decimal("36.012"))
    rods, sides = (section.table for section in inspected.sections if section.table)
    assert rods.cells("acceptance")[0] == limits.sections[1].table.cells("conforms")[0] == zone
    assert "35.788–36.012" in rods.shown().texts[0]
    assert "±0.097" in sides.shown().texts[0]
    assert max(map(len, result.stdout.partition("Note")[0].splitlines()[:30])) <= 80


@pytest.mark.parametrize("words", [(), ("-",)])
def test_without_any_standard_input_it_says_so(bench, monkeypatch, capsys, words):
    monkeypatch.setattr("sys.stdin", None)
    status = cli.main(["inspect", CASE, *words, "--ledger", bench.url], standalone_mode=False)
    said = capsys.readouterr().err
    assert said == "labkit: there is no standard input to read from; name the file\n"
    assert status == 2


def test_readings_that_scatter_are_asked_for_again(bench):
    typed = TYPED(["35.9", "38.40", "38.50", "", "n", "38.40", "38.50", "", "y", "", "stop", "",
                   "", "y"]) + "\n"
    result = bench.run("--by", "quinn", typed=typed)
    assert result.exit_code == 0, result.output
    assert result.stderr.count("differ by 0.1 mm;") == 2
    assert "Held: 35.9 left" in result.stdout
    assert bench.readings()[0].details["result"] == "undecided"


@pytest.mark.parametrize(
    "typed",
    [
        "", "35.9\n", "35.9\n38.39\n", "35.9\n38.39\n\nyes\nstop\n",
        "35.9\n38.39\n\nyes\nstop\n\n", "35.9\n38.39\n\nyes\nstop\n\nn\n", "stop\n", "\n" * 10,
    ],
)
def test_a_prompt_that_is_broken_off_records_nothing(bench, typed):
    result = bench.run("--by", "quinn", typed=typed)
    assert "othing was recorded" in result.output
    assert "Traceback" not in result.output
    assert bench.readings() == []


def test_only_rods_that_were_not_measured_are_asked_for(bench):
    bench.form.rows = bench.form.rows[:9]
    bench.run(bench.file(), "--by", "quinn")
    result = bench.run("--by", "quinn", typed="30.1\n32.59\n\nyes\n\nok\ny\n")
    assert "1 rod to measure" in result.stderr
    assert f"Set {SET}: conforms" in result.stdout
    none_left = bench.run("--by", "quinn")
    assert none_left.exit_code == 1
    assert "every rod of QF-1043-r1 was measured already" in none_left.stderr


def test_json_of_the_prompt_is_one_object(bench):
    result = bench.run("--json", typed="35.9\n38.39\n\nyes\nstop\n\n\n")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert (told["recorded"], told["by"], len(told["rods"])) == ([], None, 1)
    assert told["rods"][0]["probability"] > 0.999
    assert told["rods"][0]["acceptance_mm"] == pytest.approx([35.787, 36.013], abs=0.001)


def test_an_untouched_line_of_a_rod_that_is_no_more_is_passed_over(bench):
    with open_ledger(bench.url) as ledger:
        made = ledger.rods(CASE)
    foreign = {"identifier": "482-917-3065", **dict.fromkeys(
        ("reading_1_mm", "reading_2_mm", "reading_3_mm", "label_read", "fittings", "look"), ""
    )}
    bench.form.set(3, **foreign)
    told = json.loads(bench.run(bench.file(), "--json").stdout)
    assert told["not_measured"] == [made[1].identifier]


def test_a_gauge_too_coarse_is_told_before_anyone_measures(bench, tmp_path):
    coarse = tmp_path / "tape.toml"
    source = (templates_dir() / "instruments" / "example-calliper.toml").read_text("utf-8")
    coarse.write_text(
        source.replace('name = "example-calliper"', 'name = "tape"')
        .replace("uncertainty = 0.01", "uncertainty = 0.2")
    )
    words = ("--instruments", str(coarse), "--instrument", "tape")
    result = bench.run(*words, typed="35.9\n38.39\n\nyes\nstop\n\n\n")
    assert result.exit_code == 0, result.output
    before_the_first = result.stderr.partition("1 of 10")[0]
    assert "no acceptance zone for some rods" in before_the_first
    assert "undecided" in result.stdout
    assert "labkit limits QF-1043" in result.stdout


@pytest.mark.parametrize(("words", "named"), [
    (("--instrument", "example-calliper"), "example-calliper"), ((), None),
])
def test_what_it_was_measured_with_is_told_to_programs(bench, words, named):
    told = json.loads(bench.run(bench.file(), *words, "--json").stdout)
    assert {rod["instrument"] for rod in told["rods"]} == {named}
