"""The scan of a rod, sent by a page and measured in the background as the command measures it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.ledger.events import Kind
from labkit.ledger.place import VARIABLE
from labkit.ledger.store import look_into
from labkit.web.guard import MOST_BYTES, MOST_BYTES_OF
from labkit.web.jobs import job as jobs
from labkit.web.jobs.job import FOLDER, How, What, find, turns_of
from labkit.web.jobs.run import main
from tests.support.measuring import ADDRESS, CASE, to_measure
from tests.support.scans import Spoil, scan_of
from tests.support.workplaces import client_of, token_in
from tests.web.test_pages import words


@pytest.fixture
def bench(tmp_path, still):
    place, form = to_measure(tmp_path)
    return client_of(place), place, form.identifiers()[0]


def send(browser, content, name="scan.stl", **more):
    sent = {"token": token_in(browser.get(ADDRESS)), **more}
    files = {"scan": (name, content)} if content else None
    return browser.post(f"/scan/{CASE}", data=sent, files=files, follow_redirects=False)


def job_of(place, answer):
    assert answer.status_code == 303, words(answer)
    return find(place, answer.headers["location"].rpartition("/")[2])


def test_a_scan_waits_under_a_name_of_ours_and_more_bytes_may_be_sent(bench):
    browser, place, rod = bench
    job = job_of(place, send(browser, b"x" * (MOST_BYTES + 1), "../../<b>.EXE", rod=rod))
    assert (job.order.what, job.order.asked["file"]) == (What.SCAN, "<b>.EXE")
    kept = [path for path in (place.sets / FOLDER).iterdir() if path.suffix == ".stl"]
    assert [str(path) for path in kept] == [job.order.asked["path"]]
    assert min(MOST_BYTES_OF.values()) > MOST_BYTES


def test_temperature_and_largest_uncertainty_go_with_the_scan(bench):
    browser, place, rod = bench
    told = {"rod": rod, "temperature_c": "21,5", "most_u_mm": "0,006"}
    asked = job_of(place, send(browser, b"solid", **told)).order.asked
    assert (asked["temperature_c"], asked["most_u_mm"]) == ("21.5", "0.006")
    for wrong in ({"temperature_c": "warm"}, {"temperature_c": "46"}, {"most_u_mm": "4"}):
        answer = send(browser, b"solid", **{**told, **wrong})
        assert answer.status_code == 422
        assert "is not usable as" in words(answer)
        assert "give a number from" in words(answer)


def test_what_is_no_scan_of_a_rod_of_the_case_is_told(bench, monkeypatch):
    browser, place, rod = bench
    assert "no scan was sent" in words(send(browser, b"", rod=rod)).casefold()
    assert send(browser, b"solid", rod="1234567890").status_code in (404, 422)
    job = job_of(place, send(browser, b"no scan at all", rod=rod))
    monkeypatch.setenv(VARIABLE, place.ledger)
    main(place.sets / FOLDER, job.name)
    ended = find(place, job.name)
    assert ended.state.how is How.REFUSED
    assert ended.state.sentences
    assert not [path for path in (place.sets / FOLDER).iterdir() if path.suffix == ".stl"]
    page = browser.get(f"/jobs/{job.name}")
    assert "Make it again" not in page.text
    again = browser.post(f"/jobs/{job.name}/again", data={"token": token_in(page)})
    assert again.status_code == 409


def test_a_scan_is_gone_with_its_job_however_that_ends(bench, monkeypatch):
    browser, place, rod = bench
    job = job_of(place, send(browser, b"solid", rod=rod))
    kept = Path(job.order.asked["path"])
    foreign = kept.with_name("0" * 16 + ".ply")
    foreign.write_bytes(b"its job is no more")
    jobs.begin(place, job.order)  # looks around first
    assert kept.is_file()
    assert not foreign.exists()
    turns_of(place).process(job.name).poll = lambda: -9  # killed
    jobs.begin(place, job.order)
    assert not kept.exists()


@pytest.mark.slow
def test_a_scan_is_measured_as_the_command_measures_it(bench, tmp_path, monkeypatch):
    browser, place, rod = bench
    with look_into(place.ledger) as reader:
        length = reader.find(rod).label
    scan = scan_of("eye-eye-flat", length, Spoil(missing=0.0, edge_mm=0.15, stubs=2), 1).write(
        tmp_path / "scan.stl"
    )
    other = shutil.copyfile(place.ledger, tmp_path / "other.sqlite")
    monkeypatch.setattr("labkit.cli.clock.now", place.now)
    monkeypatch.setattr("labkit.web.jobs.run._now", place.now)
    told = CliRunner().invoke(cli, [
        "measure", str(scan), "--rod", rod, "--instrument", "example-scanner", "--by", "anna",
        "--temperature", "20.4", "--most-uncertainty", "0.006",
        "--ledger", str(other),
    ])
    assert told.exit_code == 0, told.output
    job = job_of(place, send(browser, scan.read_bytes(), rod=rod, instrument="example-scanner",
                              temperature_c="20,4", most_u_mm="0,006"))
    monkeypatch.setenv(VARIABLE, place.ledger)
    main(place.sets / FOLDER, job.name)
    ended = find(place, job.name)
    assert ended.state.how is How.MEASURED, ended.state.sentences
    assert any(line.startswith("Decision: ") for line in ended.state.sentences)
    bodies = []
    for ledger in (place.ledger, str(other)):
        with look_into(ledger) as reader:
            bodies.append([event.body for event in reader.current(CASE, Kind.READING)])
    assert bodies[0] == bodies[1]
    assert "What that proves of the set" in browser.get(f"/jobs/{job.name}").text
