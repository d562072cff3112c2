"""Making in the background goes on by itself, says why it ends, and shows when it was killed."""

from __future__ import annotations

import datetime
import os
import time
from dataclasses import replace
from types import SimpleNamespace

import pytest

from labkit.ledger.events import Kind
from labkit.ledger.place import VARIABLE
from labkit.ledger.store import look_into, open_ledger
from labkit.ledger.verify import verify
from labkit.web.accounts import Accounts
from labkit.web.jobs import job as jobs
from labkit.web.jobs import turns
from labkit.web.jobs.job import Files, How, Order, State, What, find, turns_of
from labkit.web.jobs.run import main
from labkit.web.rights import Role
from tests.support.making import ONE
from tests.support.workplaces import NOW, PARALLEL, client_of, token_in, workplace


def order(place, what=What.SET, case="QF-1043", **asked):
    return Order.of(place, what, (case, "anna"), asked)


@pytest.fixture
def prescribed(tmp_path):
    """A workplace with one prescription of one step, nothing made."""
    with open_ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        # The process reads the machine's own clock, and a record goes on in time.
        now = datetime.datetime.now(datetime.UTC)
        ledger.record(Kind.CASE_OPENED, "QF-1043", {}, "anna", now)
        ledger.record(Kind.PRESCRIPTION, "QF-1043", {"revision": 1, "text": ONE}, "anna", now)
    return workplace(tmp_path / "ledger.sqlite")


def wait_for(place, name, seconds=60):
    until = time.monotonic() + seconds
    while (job := find(place, name)).at_work and time.monotonic() < until:
        time.sleep(0.1)
    return job


def test_a_set_is_made_while_nobody_looks(prescribed):
    place = replace(prescribed, now=lambda: datetime.datetime.now(datetime.UTC))
    browser = client_of(place)
    token = token_in(browser.get("/cases/QF-1043"))
    answer = browser.post("/make/QF-1043", data={"token": token}, follow_redirects=False)
    name = answer.headers["location"].rpartition("/")[2]
    assert "You can leave this page: it goes on." in browser.get(f"/jobs/{name}").text
    job = wait_for(place, name)
    assert (job.state.how, job.state.made) == (How.MADE, "QF-1043-r1")
    assert job.state.done == job.state.total
    with look_into(place.ledger) as reader:
        stored = reader.set_named("QF-1043-r1")
        assert (stored.state, stored.ended.by) == ("made", "anna")
    shown = browser.get(f"/jobs/{name}").text
    assert "QF-1043-r1: papers and files" in shown
    assert "hx-trigger" not in shown  # nothing is asked any more
    assert "case sheet" in browser.get("/cases/QF-1043").text.casefold()

    answer = browser.post("/sets/QF-1043-r1/papers", data={"token": token}, follow_redirects=False)
    name = answer.headers["location"].rpartition("/")[2]
    job = wait_for(place, name)
    assert (job.state.how, job.state.done) == (How.PRINTED, job.state.total), job.state.sentences
    assert "Destroy the papers that were printed before." in browser.get(f"/jobs/{name}").text
    with look_into(place.ledger) as reader:
        printed = reader.current("QF-1043", Kind.PAPERS_PRINTED)[-1]
        assert (printed.body["set"], printed.by) == ("QF-1043-r1", "anna")


@pytest.mark.slow
def test_killed_thirty_times_the_record_stays_true(prescribed, monkeypatch):
    place = replace(prescribed, now=lambda: datetime.datetime.now(datetime.UTC))
    processes, popen = [], jobs.subprocess.Popen
    monkeypatch.setattr(
        jobs.subprocess, "Popen", lambda *a, **k: processes.append(popen(*a, **k)) or processes[-1]
    )
    for count in range(30):
        name = jobs.begin(place, order(place))
        while find(place, name).state.how is How.WAITING:
            time.sleep(0.01)
        time.sleep(0.04 * count)
        processes[-1].kill()
        processes[-1].wait()
        if find(place, name).state.how is not How.BROKEN_OFF:
            assert find(place, name).state.how in (How.MADE, How.REFUSED)
            break
    wait_for(place, jobs.begin(place, order(place)))
    with look_into(place.ledger) as reader:
        states = [stored.state for stored in reader.sets("QF-1043")]
        assert verify(reader).ok
    assert states.count("made") == 1
    assert set(states) <= {"made", "abandoned"}
    assert len([path for path in place.sets.iterdir() if not path.name.startswith(".")]) == 1


def test_what_is_refused_says_why(ledger, monkeypatch):
    place = workplace(ledger)
    files = written(place, order(place, What.BETWEEN, PARALLEL, percent="80"))
    monkeypatch.setenv(VARIABLE, place.ledger)
    main(files.order.parent, files.order.stem)
    job = find(place, files.order.stem)
    assert job.state.how is How.REFUSED
    assert "at 80 % is in circulation already" in " ".join(job.state.sentences)
    shown = client_of(place).get(f"/jobs/{job.name}").text
    assert "Make it again" in shown
    assert "refused" in shown


def test_what_is_not_foreseen_is_told_without_a_trace(ledger, monkeypatch):
    place = workplace(ledger)
    files = written(place, order(place, What.BETWEEN, PARALLEL, percent="75"))
    monkeypatch.setenv(VARIABLE, place.ledger)
    monkeypatch.setattr("labkit.web.jobs.run.extra_plan", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        main(files.order.parent, files.order.stem)
    job = find(place, files.order.stem)
    assert job.state.how is How.REFUSED
    assert "does not foresee (ZeroDivisionError)" in job.state.sentences[0]
    assert job.state.sentences[0].endswith(f"its trace is kept as {job.name}.trace")
    assert "Traceback" not in job.state.sentences[0]
    assert "ZeroDivisionError: division by zero" in files.trace.read_text("utf-8")


def test_a_killed_process_shows_as_broken_off_and_is_made_again(ledger, still):
    place = workplace(ledger)
    files = written(place, order(place, What.BETWEEN, PARALLEL, percent="75"))
    files.write(files.progress, State(How.MAKING, 3, 15, "35.9"))
    name, browser = files.order.stem, client_of(place)
    with files.lock:
        assert find(place, name).state.how is How.MAKING
    assert find(place, name).state.how is How.BROKEN_OFF
    shown = browser.get(f"/jobs/{name}")
    assert "The process that made it was stopped before its end." in shown.text
    assert "broken off" in browser.get("/").text
    answer = browser.post(
        f"/jobs/{name}/again", data={"token": token_in(shown)}, follow_redirects=False
    )
    again = answer.headers["location"].rpartition("/")[2]
    assert find(place, again).order.asked == {"percent": "75"}
    assert still[0][-1] == again


def test_whoever_may_print_papers_may_have_them_printed_again(ledger, tmp_path, still):
    accounts = Accounts(tmp_path / "accounts.json")
    accounts.add("quinn", Role.QA, "coffin verse plaid igloo")
    place = workplace(ledger, accounts=accounts)
    client = client_of(replace(place, now=lambda: NOW + datetime.timedelta(seconds=61)), by="")
    sent = {"by": "quinn", "passphrase": "coffin verse plaid igloo"}
    client.post("/sign-in", data={**sent, "token": token_in(client.get("/sign-in"))})
    for what, status in ((What.PAPERS, 303), (What.BETWEEN, 403)):
        name = written(place, order(place, what, PARALLEL)).order.stem
        shown = client.get(f"/jobs/{name}")
        assert ("Make it now" in shown.text) == (status == 303)
        answer = client.post(
            f"/jobs/{name}/again", data={"token": token_in(shown)}, follow_redirects=False
        )
        assert answer.status_code == status
    assert len(still) == 1


def test_processes_that_ended_are_forgotten_in_time():
    kept = turns.Turns()
    for number in range(turns.MOST_ENDED + 9):
        kept.take(str(number), lambda: SimpleNamespace(poll=lambda: 0))
    assert len(kept._begun) == turns.MOST_ENDED + 1
    assert kept.process("0") is None


def test_jobs_of_other_clinics_are_not_shown(ledger, tmp_path):
    accounts = Accounts(tmp_path / "accounts.json")
    accounts.add("tom", Role.TECHNICIAN, "coffin verse plaid igloo", ["HLB-"])
    place = workplace(ledger, accounts=accounts)
    written(place, order(place, What.BETWEEN, PARALLEL, percent="75"))
    client = client_of(place, by="")
    sent = {"by": "tom", "passphrase": "coffin verse plaid igloo"}
    client.post("/sign-in", data={**sent, "token": token_in(client.get("/sign-in"))})
    assert PARALLEL not in client.get("/").text + client.get("/jobs").text


def test_one_that_never_began_says_so_after_a_minute(ledger):
    place = workplace(ledger)
    name = written(place, order(place)).order.stem
    assert find(place, name).state.how is How.WAITING
    later = replace(place, now=lambda: NOW + datetime.timedelta(seconds=61))
    assert find(later, name).state.how is How.NOT_BEGUN
    browser = client_of(later)
    shown = browser.get(f"/jobs/{name}").text
    assert "stopped before its turn came; nothing was made or recorded." in shown
    assert "Make it now" in shown
    assert "not begun" in browser.get("/").text


def test_a_slow_start_is_no_end(ledger, monkeypatch):
    place = workplace(ledger)
    name = written(place, order(place)).order.stem
    later = replace(place, now=lambda: NOW + datetime.timedelta(seconds=61))
    for ended, how in ((None, How.WAITING), (1, How.NOT_BEGUN)):
        process = SimpleNamespace(poll=lambda ended=ended: ended)
        monkeypatch.setitem(turns_of(place)._begun, name, process)
        assert find(later, name).state.how is how


def test_jobs_that_ended_long_ago_are_forgotten(ledger, still, monkeypatch):
    """Those at work stay, however long they take; so do the last ones."""
    place, names = workplace(ledger), [f"{number:016x}" for number in range(5)]
    hows = (How.MADE, How.BROKEN_OFF, How.REFUSED, How.MAKING, How.MADE)
    folder = place.sets / jobs.FOLDER
    folder.mkdir(parents=True)
    for number, (name, how) in enumerate(zip(names, hows, strict=True)):
        files = Files(folder, name)
        files.write(files.order, order(place))
        files.write(files.progress, State(how))
        files.trace.write_text("what was not foreseen", "utf-8")
        days = jobs.MOST_DAYS + 1 if number < 4 else 1
        at = (NOW - datetime.timedelta(days=days)).timestamp()
        os.utime(files.order, (at, at))
    with Files(folder, names[3]).lock:
        begun = jobs.begin(place, order(place))
        left = {path.stem for path in folder.iterdir()}
    assert left == {names[3], names[4], begun}
    os.utime(folder / f"{begun}.json", (NOW.timestamp(), NOW.timestamp()))
    monkeypatch.setattr(jobs, "MOST_KEPT", 1)
    last = jobs.begin(place, order(place))
    assert {path.stem for path in folder.glob("*.json")} == {begun, last}


def test_two_go_on_at_once_and_the_others_wait_in_their_order(ledger, monkeypatch, own_turns):
    """The next one begins when one has ended; a workplace that was stopped begins none."""
    ended, started = [], []

    class Process:
        def __init__(self, words, **_):
            self.name = words[-1]
            started.append(self.name)

        def wait(self):
            return 0

        def poll(self):
            return 0 if self.name in ended else None

    monkeypatch.setattr(jobs.subprocess, "Popen", Process)
    monkeypatch.setattr(turns, "_LOOK_AGAIN", 0.01)
    place = workplace(ledger)
    names = [jobs.begin(place, order(place)) for _ in range(turns.AT_ONCE + 2)]
    assert started == names[:2]
    assert [find(place, name).state.place for name in names] == [0, 0, 1, 2]
    shown = client_of(place).get(f"/jobs/{names[3]}").text
    assert "waits for its turn, as number 2: others are made first" in shown
    ended.append(names[1])
    until = time.monotonic() + 10
    while len(started) < 3 and time.monotonic() < until:
        time.sleep(0.01)
    assert started == names[:3]
    assert find(place, names[3]).state.place == 1
    for each in jobs._TURNS.values():  # the workplace is stopped
        each._waiting.clear()
    later = replace(place, now=lambda: NOW + datetime.timedelta(seconds=61))
    assert find(later, names[3]).state.how is How.NOT_BEGUN


def test_makes_of_an_earlier_workplace_count(ledger, still):
    place = workplace(ledger)
    files = written(place, order(place))
    files.write(files.progress, State(How.MAKING))
    with files.lock:
        assert [find(place, jobs.begin(place, order(place))).state.place for _ in "ab"] == [0, 1]


def test_no_more_wait_than_is_told(ledger, still, monkeypatch):
    monkeypatch.setattr(turns, "MOST_WAITING", 1)
    place = workplace(ledger)
    for _ in range(3):
        jobs.begin(place, order(place))
    before = set((place.sets / jobs.FOLDER).iterdir())
    browser = client_of(place)
    sent = {"token": token_in(browser.get("/cases"))}
    answer = browser.post(f"/make/{PARALLEL}", data=sent)
    assert answer.status_code == 409
    refused = "at most 1 makes can wait for their turn, and 1 do; ask again when one of them has"
    assert refused in answer.text
    assert set((place.sets / jobs.FOLDER).iterdir()) == before


def test_what_goes_on_is_not_begun_again(ledger, still):
    place = workplace(ledger)
    name = written(place, order(place)).order.stem
    browser = client_of(place)
    answer = browser.post(f"/jobs/{name}/again", data={"token": token_in(browser.get("/cases"))})
    assert answer.status_code == 409
    assert not still


def test_the_place_of_the_record_is_in_no_file(ledger):
    place = replace(workplace(ledger), ledger="postgresql://lab:secret@db/lab")
    files = written(place, order(place))
    assert "secret" not in files.order.read_text("utf-8")
    assert files.order.stat().st_mode & 0o077 == 0
    assert files.read_order().at == order(place).at


def test_an_order_is_begun_from_what_was_shown(ledger, still):
    browser = client_of(workplace(ledger))
    shown = browser.get(f"/between/{PARALLEL}?percent=75")
    assert "Order and make them" in shown.text
    sent = {"token": token_in(shown), "percent": "75"}
    answer = browser.post(f"/between/{PARALLEL}", data=sent, follow_redirects=False)
    job = find(workplace(ledger), answer.headers["location"].rpartition("/")[2])
    assert (job.order.by, job.order.asked) == ("anna", {"percent": "75"})
    assert len(still) == 1
    nothing = browser.post(f"/between/{PARALLEL}", data={"token": sent["token"]})
    assert nothing.status_code == 422
    assert "no rod was asked for" in nothing.text
    assert len(still) == 1


@pytest.mark.parametrize("name", ["x", "../../ledger", "0" * 16, "A" * 16, "0" * 15 + "/"])
def test_no_other_job_is_found(looking, name):
    assert looking.get(f"/jobs/{name}").status_code == 404


def written(place, asked):
    """Write an order down as it is written before its process begins."""
    folder = place.sets / jobs.FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    files = Files(folder, "0123456789abcdef")
    files.write(files.order, asked)
    return files
