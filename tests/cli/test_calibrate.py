"""`labkit calibrate` and what `labkit make` says of a calibrated process, in process."""

from __future__ import annotations

import datetime
import json
from io import BytesIO

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from labkit.catalog.processes import processes
from labkit.cli import clock
from labkit.cli.main import cli
from labkit.ledger.store import open_ledger
from labkit.workflow.process.file import write_process
from tests.support.coupons import coupon_csv
from tests.support.drifting import START, Lab
from tests.support.making import ONE
from tests.support.prescriptions import changed
from tests.support.processes import CALIBRATED

BASE = processes()["example-resin"].compensation


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def invoke(*arguments):
        env = {
            "COLUMNS": "200", "LABKIT_LEDGER": None, "LABKIT_BY": None,
            "XDG_DATA_HOME": str(tmp_path / "home"),
        }
        return CliRunner().invoke(cli, list(map(str, arguments)), env=env)

    return invoke


@pytest.fixture
def calibrate(run, tmp_path):
    def invoke(raw, *more):
        (tmp_path / "coupons.csv").write_bytes(raw)
        return run(
            "calibrate", "coupons.csv", "--process", "example-resin", "--name", "resin-may",
            "--date", "2031-05-02", "--by", "anna", "--out", "resin-may.toml", *more,
        )

    return invoke


def test_help_says_what_to_measure_and_has_an_example(run):
    result = run("calibrate", "--help")
    assert result.exit_code == 0
    assert "Example: labkit calibrate coupons.csv" in result.stdout


def test_coupons_become_a_process_that_make_knows(calibrate, tmp_path):
    result = calibrate(coupon_csv(BASE))
    assert result.exit_code == 0, result.output
    assert "24 coupons of 4 lengths, 20 to 50 mm" in result.stdout
    assert "labkit make RX --processes resin-may.toml --process resin-may" in result.stdout
    found = processes((str(tmp_path / "resin-may.toml"),))["resin-may"]
    assert found.calibration.by == "anna"
    assert found.calibration.base == "example-resin"
    assert found.compensation.bore_offset_mm == BASE.bore_offset_mm
    assert found.plate == processes()["example-resin"].plate
    assert "24 coupons of 4 lengths" in found.evidence
    # The machine makes -0.02 + 0.997 built: 35 mm come out of (35 + 0.02) / 0.997.
    built = found.compensation.length_scale * 35 + found.compensation.length_offset_mm
    assert abs(built - 35.02 / 0.997) < 3 * found.calibration.built_u_mm(35)


@pytest.fixture(scope="module")
def reported(tmp_path_factory):
    """A calibration with its report, made once; its folder and what it printed."""
    folder = tmp_path_factory.mktemp("reported")
    (folder / "coupons.csv").write_bytes(coupon_csv(BASE))
    return folder, CliRunner().invoke(cli, [
        "calibrate", str(folder / "coupons.csv"), "--process", "example-resin", "--name",
        "resin-may", "--date", "2031-05-02", "--by", "anna", "--out",
        str(folder / "resin-may.toml"), "--report", str(folder / "report"), "--json",
    ])


def test_json_is_one_line_with_everything(reported):
    _, result = reported
    assert result.exit_code == 0, result.output
    (line,) = result.stdout.splitlines()
    content = json.loads(line)
    assert content["schema"] == 1
    assert content["process"] == "resin-may"
    assert len(content["coupons"]) == 24
    assert content["tests"]["distortion"]["p"] < 1e-6
    assert content["half_width_95"]["shortest_mm"] < 0.025
    assert [path.rsplit("/", 1)[-1] for path in content["report"]] == [
        "calibration.pdf", "lengths.svg", "lengths.png",
    ]


def test_the_report_has_the_numbers_of_the_process(reported):
    folder, _ = reported
    found = processes((str(folder / "resin-may.toml"),))["resin-may"]
    pdf = (folder / "report" / "calibration.pdf").read_bytes()
    text = "\n".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages)
    assert f"{found.compensation.length_scale:.6f}" in text
    assert "20 to 50 mm" in text
    assert "is the line bent?" in text
    assert (folder / "report" / "lengths.png").read_bytes().startswith(b"\x89PNG")


def test_the_same_coupons_give_the_same_bytes(reported, calibrate, tmp_path):
    folder, _ = reported
    assert calibrate(coupon_csv(BASE), "--report", "report").exit_code == 0
    names = ("resin-may.toml", *(f"report/{p.name}" for p in (folder / "report").iterdir()))
    assert len(names) == 4
    for name in names:
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes()


REFUSED = {
    "two lengths": ({"lengths": (20, 50)}, "shows no bend"),
    "one each": ({"each": 1}, "too few to separate"),
    "narrow": ({"lengths": (30, 33, 36)}, "span 6 mm"),
    "scatter": ({"sd": 0.12, "each": 3}, "a quarter of the tolerance"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_would_not_hold_is_refused_and_nothing_is_written(calibrate, tmp_path, name):
    how, words = REFUSED[name]
    result = calibrate(coupon_csv(BASE, **how), "--report", "report")
    assert result.exit_code == 1
    assert words in result.stderr
    assert "coupons.csv: " in result.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["coupons.csv"]


def with_outlier():
    lines = coupon_csv(BASE).decode().splitlines()
    name, nominal, measured = lines[9].split(",")
    lines[9] = f"{name},{nominal},{float(measured) + 0.1:.4f}"
    return "\n".join(lines).encode()


def test_a_coupon_that_stands_out_is_asked_about_never_dropped(calibrate, tmp_path):
    raw, path = with_outlier(), tmp_path / "resin-may.toml"
    result = calibrate(raw)
    assert result.exit_code == 1
    assert "coupon 9: its length is +0.1" in result.stderr
    assert "--keep 9" in result.stderr
    assert "--leave-out 9 --reason WHY" in result.stderr
    assert not path.exists()
    result = calibrate(raw, "--leave-out", "9")
    assert result.exit_code == 2
    assert "no reason is given; say why coupons are left out" in result.stderr
    result = calibrate(raw, "--leave-out", "9", "--reason", "fell on the floor")
    assert result.exit_code == 0, result.output
    assert "left out: 9 (fell on the floor)" in path.read_text()
    assert "coupons = 23" in path.read_text()
    path.unlink()
    result = calibrate(raw, "--keep", "9", "--tolerance", "0.3")
    assert result.exit_code == 0, result.output
    assert "kept although far off: 9" in path.read_text()
    assert "coupons = 24" in path.read_text()


def test_leaving_out_many_is_choosing_the_result(calibrate):
    names = [word for n in range(1, 7) for word in ("--leave-out", str(n))]
    result = calibrate(coupon_csv(BASE), *names, "--reason", "short")
    assert result.exit_code == 1
    assert "choosing the result" in result.stderr


OPTIONS = {
    "no such coupon": (("--keep", "99"), "no such coupon"),
    "no date": (("--date", "2.5.2031"), "is not a date"),
    "name with space": (("--name", "resin may"), "--name 'resin may'"),
    "name taken": (("--name", "nominal"), "a process of that name already"),
    "no process": (("--process", "example-resn"), "did you mean `example-resin`?"),
    "tolerance": (("--tolerance", "wide"), "--tolerance"),
    "tolerance nan": (("--tolerance", "nan"), "--tolerance"),
    "way alone": (("--way", "over"), "go together"),
    "no such way": (("--way", "across", "--template", "eye-eye-flat"), "allowed is one of"),
    "no such template": (("--way", "over", "--template", "eye"), "eye-eye-flat"),
    "no instrument": (("--instrument", "ruler"), "is not known"),
    "by": (("--by", " anna"), "operator code"),
    "no folder": (("--out", "coupons.csv/x.toml"), "cannot be written"),
}


@pytest.mark.parametrize("name", OPTIONS)
def test_a_wrong_option_is_a_sentence_and_writes_nothing(calibrate, tmp_path, name):
    options, words = OPTIONS[name]
    result = calibrate(coupon_csv(BASE), *options)
    assert result.exit_code in (1, 2)
    assert words in result.stderr
    assert "Traceback" not in result.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["coupons.csv"]


def test_nothing_is_written_over(calibrate, tmp_path):
    (tmp_path / "resin-may.toml").write_text("mine")
    result = calibrate(coupon_csv(BASE))
    assert result.exit_code == 1
    assert "never overwritten" in result.stderr
    assert (tmp_path / "resin-may.toml").read_text() == "mine"


def test_processes_tells_which_are_calibrated_and_when(run, tmp_path):
    write_process(CALIBRATED, tmp_path / "resin-may.toml")
    result = run("processes", "--processes", "resin-may.toml", "resin-may", "nominal")
    assert result.exit_code == 0, result.output
    own, nominal = result.stdout.split("nominal: ")
    assert "2031-05-02, from 20 to 50 mm, 24 coupons, by anna" in own
    assert "calibrated   no" in nominal
    result = run("processes", "resin-may", "--json", "--processes", "resin-may.toml")
    content = json.loads(result.stdout)
    assert content["calibration"]["date"] == "2031-05-02"
    assert run("processes", "nominl").exit_code == 2


@pytest.fixture
def lab(run, tmp_path, monkeypatch):
    """A folder with a calibrated process, a prescription, and a ledger of measured sets."""
    monkeypatch.setattr("labkit.workflow.sets.make.write_papers", lambda *_: ())
    write_process(CALIBRATED, tmp_path / "resin-may.toml")
    (tmp_path / "rx.toml").write_text(changed(ONE, ("[50]", "[50]")))

    def make(folder, *more):
        return run(
            "make", "rx.toml", "--out", folder, "--processes", "resin-may.toml", "--process",
            "resin-may", *more,
        )

    def drift(off_mm):
        path = tmp_path / "l.sqlite"
        with open_ledger(str(path)) as ledger:
            workshop = Lab(ledger)
            for case, off in (("Q-1", 0.0), ("Q-2", off_mm)):
                workshop.measure(case, workshop.make(case), off)
        return path

    return make, drift


def test_make_tells_a_drift_before_it_builds_and_builds_the_same(lab, tmp_path):
    make, drift = lab
    without = make("a")
    assert without.exit_code == 0, without.output
    assert "drifts" not in without.output
    ledger = drift(0.06)
    told = make("b", "--ledger", ledger, "--json")
    assert told.exit_code == 0, told.output
    assert told.stderr.splitlines()[1].startswith("Note: the process resin-may drifts: the last ")
    codes = [f["code"] for f in json.loads(told.stdout)["process_findings"]]
    assert codes == ["process_drifts"]
    files = [path for path in (tmp_path / "a").rglob("*") if path.is_file()]
    assert len(files) > 5
    for file in files:
        other = tmp_path / "b" / file.relative_to(tmp_path / "a")
        assert file.read_bytes() == other.read_bytes()


def test_a_recorded_set_and_extra_rods_for_it_tell_the_drift_too(lab, run, monkeypatch):
    make, drift = lab
    ledger = drift(0.06)
    monkeypatch.setattr(clock, "now", lambda: START + datetime.timedelta(days=9))
    made = make("a", "--ledger", ledger, "--by", "anna")
    assert made.exit_code == 0, made.output
    assert made.stdout.startswith("Note: the process resin-may drifts: the last ")
    more = run(
        "extra", "QF-1043", "--percent", "100", "--out", "a", "--processes", "resin-may.toml",
        "--ledger", ledger, "--by", "anna",
    )
    assert more.exit_code == 0, more.output
    assert more.stdout.startswith("Note: the process resin-may drifts: the last ")


def test_make_is_silent_about_a_steady_process_and_without_a_ledger(lab, tmp_path):
    make, drift = lab
    steady = make("a", "--ledger", drift(0.0))
    assert steady.exit_code == 0
    assert "drifts" not in steady.output
    assert not (tmp_path / "home").exists()
    gone = make("b", "--ledger", tmp_path / "gone.sqlite")
    assert gone.exit_code == 0
    assert "whether resin-may drifts could not be looked up" in gone.stdout
    assert not (tmp_path / "gone.sqlite").exists()


def test_make_notes_a_rod_outside_of_the_calibrated_range(lab, tmp_path):
    make, _ = lab
    text = (tmp_path / "rx.toml").read_text()
    (tmp_path / "rx.toml").write_text(changed(text, ("33.6", "52.0")))
    result = make("a")
    assert result.exit_code == 0, result.output
    assert "outside of 20 to 50 mm, in which resin-may was calibrated" in result.stdout


def test_places_that_cannot_be_written_leave_nothing_behind(calibrate, tmp_path):
    """The report is written first; without the process file it goes again."""
    raw = coupon_csv(BASE)
    result = calibrate(raw, "--report", "report", "--out", "coupons.csv/resin-may.toml")
    assert result.exit_code == 1
    assert "coupons.csv/resin-may.toml cannot be written" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["coupons.csv"]
    result = calibrate(raw, "--report", "resin-may.toml")
    assert result.exit_code == 2
    assert "--out and --report both name resin-may.toml" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["coupons.csv"]


ODD = {
    "week date": (("--date", "2031-W18-5"), 2, "is not a date"),
    "kept and left out": (
        ("--keep", "3", "--leave-out", "3", "--reason", "warped"), 2, "with --keep and with",
    ),
    "reason for nothing": (("--reason", "warped"), 2, "goes with --leave-out or --keep"),
    "instrument of another way": (
        ("--way", "over", "--template", "eye-eye-flat", "--instrument", "example-microscope"), 1,
        "example-microscope does not measure 'over'; it serves centres",
    ),
}


@pytest.mark.parametrize("name", ODD)
def test_options_that_contradict_are_a_sentence(calibrate, tmp_path, name):
    more, status, words = ODD[name]
    result = calibrate(coupon_csv(BASE), *more)
    assert result.exit_code == status, result.output
    assert words in result.stderr
    assert not (tmp_path / "resin-may.toml").exists()


def test_a_file_name_that_does_not_print_is_refused(run, tmp_path):
    odd = tmp_path / "may\ncoupons.csv"
    odd.write_bytes(coupon_csv(BASE))
    result = run(
        "calibrate", odd, "--process", "example-resin", "--name", "resin-may",
        "--date", "2031-05-02", "--by", "anna", "--out", "resin-may.toml",
    )
    assert result.exit_code == 2
    assert "give the file another name" in result.stderr


def test_what_it_was_held_against_and_why_one_was_left_out_is_kept(calibrate, tmp_path):
    result = calibrate(
        coupon_csv(BASE), "--tolerance", "0.2", "--leave-out", "3", "--reason", 'it "warped"'
    )
    assert result.exit_code == 0, result.output
    evidence = processes((str(tmp_path / "resin-may.toml"),))["resin-may"].evidence
    assert evidence.endswith('; held against rods of ± 0.2 mm; left out: 3 (it "warped")')


def test_bores_that_are_all_alike_are_told_to_show_the_step_of_the_gauge(calibrate):
    rows = coupon_csv(BASE).decode().splitlines()
    raw = "\n".join([rows[0] + ",bore_nominal,bore", *(f"{row},2.5,2.45" for row in rows[1:])])
    result = calibrate(raw.encode())
    assert result.exit_code == 0, result.output
    assert "all 24 bore diameters are off by the same to the last digit" in result.stdout


def test_what_is_calibrated_from_the_nominal_process_is_not_called_uncompensated(run, tmp_path):
    (tmp_path / "coupons.csv").write_bytes(coupon_csv(BASE))
    result = run("calibrate", "coupons.csv", "--process", "nominal", "--name", "resin-may",
                 "--date", "2031-05-02", "--by", "anna", "--out", "resin-may.toml")
    assert result.exit_code == 0, result.output
    text = (tmp_path / "resin-may.toml").read_text()
    assert 'title = "resin-may, calibrated 2031-05-02"' in text
    assert "no compensation" not in text
