"""`labkit intake` of prescriptions: from a clinic's sheet, and one a row in a spreadsheet."""

from __future__ import annotations

import pytest

from labkit.core.form.keys import file_keys
from labkit.core.grading.prescription import Prescription
from labkit.workflow.intake.prescriptions import text_keys
from tests.cli.test_intake import CASE, filled, lab, last, one, sent
from tests.support.recorded import read

__all__ = ["filled", "lab", "sent"]

NEW = {
    "zero": "retruded", "retruded": "-5,2", "protruded": "6.4", "registered": "2,9",
    "action": "pull", "template": "eye-eye-flat", "pin_distance": "33,6",
    "percent": "50; 62,5; 75", "start": "62,5",
}
#: What the case of the fixture has recorded, with a smaller range.
REVISED = {
    "zero": "retruded", "retruded": "-4", "protruded": "5,5", "registered": "3", "action": "pull",
    "template": "eye-eye-flat", "pin_distance": "30", "percent": "70 80 90 100", "start": "70",
}


def told(keys, **more):
    return {"kind": "prescription", "keys": {**keys, **more}}


def test_a_new_case_becomes_a_prescription_file(lab, sent, tmp_path):
    file, out = sent(told(NEW), case="QF-2001", entry=None, true_on=None), tmp_path / "new"
    looked = lab("intake", file)
    assert looked.exit_code == 0
    assert "A prescription of a new case." in looked.stdout
    assert "a prescription becomes a file first; name a folder for it with --out" in looked.stdout
    assert not out.exists()
    written = lab("intake", file, "--out", out)
    assert written.exit_code == 0
    assert f"labkit make {out}/QF-2001.toml --out sets" in written.stdout
    prescription = read((out / "QF-2001.toml").read_text("utf-8"))
    assert str(prescription.bite.retruded) == "-5.2"
    assert prescription.left.pin_distance_mm == 33.6
    assert list(map(str, prescription.grading.listed)) == ["50", "62.5", "75"]
    assert lab("intake", file, "--out", out).exit_code == 0  # the same text once more
    (out / "QF-2001.toml").write_text("mine", encoding="utf-8")
    assert "is there already" in lab("intake", file, "--out", out).stderr
    assert (out / "QF-2001.toml").read_text("utf-8") == "mine"


def test_a_recorded_case_gets_a_revision_once_it_is_confirmed(lab, sent, tmp_path):
    file, before = sent(told(REVISED), note="new bite"), last(lab)
    looked = lab("intake", file)
    assert "A revised prescription of a recorded case." in looked.stdout
    assert last(lab) == before
    done = lab("intake", file, "--out", tmp_path / "rx", "--confirm", "--by", "anna")
    assert done.exit_code == 0, done.output
    assert f"Prescription revision 2 of {CASE} recorded" in done.stdout
    assert last(lab) == before + 1


def test_a_prescription_for_another_case_than_its_sheet(lab, sent):
    result = lab("intake", sent(told(NEW, case="QF-9")))
    assert result.exit_code == 2
    assert "is of the case 'QF-9', and the sheet of 'QF-1043'" in result.stderr


WRONG = {
    "a word": (("retruded", "x"), 2, '"x" is not a number'),
    "no text": (("retruded", 5), 2, "= 5 is not usable; allowed is a text"),
    "deep": (("retruded", {"a": [1]}), 2, "is not usable; allowed is a text"),
    "an unknown key": (("patient", "A. Person"), 2, "is not a known key"),
    "a reading too far": (("protruded", "64"), 2, "64 is out of bounds"),
    "another template": (("template", "x"), 2, "is not known"),
    "a closing table": (("prescriber", 'x"\n[bite]\nzero = "habitual'), 2, "is not usable"),
    "no percent": (("percent", ";"), 2, "has 0 numbers"),
    "out of order": (("protruded", "-6,4"), 1, "lies in front of the protruded reading"),
    "101 %": (("percent", "50; 101"), 1, "101"),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_prescription_that_cannot_be_used_is_refused_with_its_key(case, lab, sent, tmp_path):
    (key, value), status, words = WRONG[case]
    file = sent(told(NEW, **{key: value}), case="QF-2001", entry=None, true_on=None)
    result = lab("intake", file, "--out", tmp_path / "new")
    assert result.exit_code == status, result.output
    assert words in result.stderr
    assert not (tmp_path / "new").exists()


TABLE = """\
case;date;zero;retruded;protruded;registered;action;template;pin_distance;percent;start
QF-2001;14.03.2031;retruded;-5,2;6,4;2,9;pull;eye-eye-flat;33,6;50 62,5 75;62,5
QF-2002;2031-03-15;retruded;-4,8;6,1;2,4;pull;eye-eye-flat;33,2;"60; 75; 90";75
"""


def table(tmp_path, *changes):
    text = TABLE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file = tmp_path / "prescriptions.csv"
    file.write_text(text, encoding="utf-8")
    return file


def test_a_spreadsheet_becomes_a_file_a_row(lab, tmp_path):
    file, out = table(tmp_path), tmp_path / "rx"
    assert "Nothing was written; with --out" in lab("intake", file).stdout
    result = lab("intake", file, "--out", out, "--json")
    assert [row["case"] for row in one(result)["prescriptions"]] == ["QF-2001", "QF-2002"]
    assert sorted(path.name for path in out.iterdir()) == ["QF-2001.toml", "QF-2002.toml"]
    assert lab("lengths", out / "QF-2001.toml", out / "QF-2002.toml").exit_code == 0


CELLS = {
    "no number": (("-4,8", "x"), 2, 'prescriptions.csv:3, column 4 (retruded): "x" is not a num'),
    "formula": (("-4,8", "=1+1"), 2, "prescriptions.csv:3, column 4 (retruded)"),
    "no readings": (("-4,8", ""), 2, "bite.retruded is missing"),
    "template": (("flat;33,2", "flad;33,2"), 2, "prescriptions.csv:3, column 8 (template)"),
    "order": (("6,1", "-6,1"), 1, "prescriptions.csv:3, column 5 (protruded): the retruded"),
    "twice": (("QF-2002", "QF-2001"), 2, "prescriptions.csv:3, column 1 (case): the case QF-2001"),
    "column": (("registered", "registred"), 2, "prescriptions.csv:1, column 6"),
}


@pytest.mark.parametrize("case", CELLS)
def test_a_wrong_cell_is_told_with_line_and_column_and_nothing_is_written(case, lab, tmp_path):
    change, status, words = CELLS[case]
    result = lab("intake", table(tmp_path, change), "--out", tmp_path / "rx")
    assert result.exit_code == status, result.output
    assert words in result.stderr
    assert not (tmp_path / "rx").exists()


def test_a_spreadsheet_records_nothing(lab, tmp_path):
    result = lab("intake", table(tmp_path), "--confirm", "--by", "anna")
    assert result.exit_code == 2
    assert "records nothing, so there is nothing to confirm" in result.stderr


def test_every_key_of_a_prescription_has_a_column_of_its_own():
    def count(keys):
        return sum(
            count(entry.inside) if entry.inside
            else count(file_keys(entry.members[0])) if entry.members else 1
            for entry in keys.values()
        )

    assert len(text_keys()) == count(file_keys(Prescription))
