"""The history of a device: every entry of the case in one chapter, facts and deviations."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.errors import LedgerError
from labkit.ledger.bodies import RodState
from labkit.ledger.events import Kind
from labkit.workflow.inspection.use_as_is import use_as_is
from labkit.workflow.record import history
from tests.documents.pdfs import squeezed, text_of
from tests.support.making import CASE
from tests.support.measured import measure_all, record_reading
from tests.workflow.test_release import WHEN, let_go, place
from tests.workflow.test_use_as_is import WORDS


@pytest.fixture
def told(recorded, out):
    """A set with a rod used as is, released and delivered without a release of one rod."""
    rod, _ = place(recorded, 1, "left")
    record_reading(recorded, rod, "0.20", result="does not conform")
    measure_all(recorded, CASE)
    use_as_is(recorded.ledger, rod.identifier, WORDS, ("kim", WHEN))
    let_go(recorded, out, by="lee")
    lost, _ = place(recorded, 2, "left")
    for state, reason in (("delivered", "not released: the courier waits"), ("broken", "bitten")):
        recorded.ledger.write(CASE, RodState(lost.identifier, state, reason), "anna", WHEN)
    return rod, lost


def entries(report, chapter):
    return report.table(chapter).cells("entry")


def test_every_kind_of_entry_stands_in_one_chapter():
    kinds = [kind for of_chapter in history.CHAPTERS.values() for kind in of_chapter]
    assert sorted(kinds) == sorted(Kind)


def test_every_entry_is_told_once(recorded, told):
    report = history.history_report(history.history_of(recorded.ledger, CASE))
    rows = [
        row[0] for section in report.sections for row in (section.table.rows if section.table else
                                                          ())
        if section.heading in history.CHAPTERS
    ]
    story = recorded.ledger.story(CASE)
    assert sorted(rows) == [event.seq for event in story]
    assert [one["body"] for one in report.data["events"]] == [event.body for event in story]
    assert "entry" in dict(report.facts)["True as of"]
    assert report.data["record"]["digest"] == recorded.ledger.head().digest
    set_row, *_ = recorded.ledger.sets(CASE)
    assert report.table("Checksums").cells("SHA-256")[-1] == set_row.sums_sha256
    assert all(len(str(cell)) < 64 for row in report.table("Sets").rows for cell in row)
    assert report.table("Material").cells("lot") == ("B-07",)
    assert report.table("Measured with").cells("calibration_due") == ("2031-09-30", "2031-09-30")


def test_deviations_are_gathered(recorded, told):
    rod, lost = told
    report = history.history_report(history.history_of(recorded.ledger, CASE))
    words = report.table("Deviations").cells("what")
    assert len(words) == 4
    assert report.findings[0].message.startswith("4 entries report something that was not as it")
    assert words[0].startswith(f"rod {grouped(rod.identifier)} measured: ")
    assert words[1].startswith(f"rod {grouped(rod.identifier)} is used as is: its length is 36.100")
    assert words[2:] == (
        f"rod {grouped(lost.identifier)} delivered (not released: the courier waits)",
        f"rod {grouped(lost.identifier)} broken (bitten)",
    )


def test_one_folder_for_the_files(recorded, told, tmp_path):
    folder = tmp_path / "history"
    asked = ["history", CASE, "--ledger", recorded.ledger.place, "--out", str(folder)]
    result = CliRunner().invoke(cli, asked)
    assert result.exit_code == 0, result.stderr
    assert f"Written: {folder}" in result.stdout
    assert sorted(path.name for path in folder.iterdir()) == [
        "history.json", "history.pdf", "prescription-1.toml",
    ]
    text = recorded.ledger.prescription(CASE, 1).text
    assert (folder / "prescription-1.toml").read_text("utf-8") == text
    printed = squeezed(text_of((folder / "history.pdf").read_bytes()))
    for words in ("History of a device", "Deviations", "True as of", WORDS.prescriber, "B-07"):
        assert squeezed(words) in printed
    data = json.loads((folder / "history.json").read_text("utf-8"))
    assert len(data["events"]) == len(recorded.ledger.story(CASE))
    again = CliRunner().invoke(cli, asked)
    assert again.exit_code != 0
    assert "is there already" in again.stderr


def test_nothing_is_told_from_a_record_that_was_changed(recorded, told):
    with recorded.ledger.database.writing() as connection:
        connection.exec_driver_sql("update events set operator = 'eve' where seq = 5")
    with pytest.raises(LedgerError, match="is not as it was written"):
        history.history_of(recorded.ledger, CASE)
