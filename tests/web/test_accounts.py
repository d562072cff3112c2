"""Accounts: what is kept of them, how guessing is slowed, and what a clinic's own sees."""

from __future__ import annotations

import datetime
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.core.findings import note
from labkit.ledger.store import look_into
from labkit.web import case_facts
from labkit.web.accounts import FORGOTTEN_AFTER, Accounts, Slips
from labkit.web.case_facts import facts_of
from labkit.web.rights import Role
from labkit.workflow.record.lookup import case_story
from tests.support.workplaces import CASE, NOW, PARALLEL, SET, client_of, token_in, workplace

PASSPHRASE = "coffin verse plaid igloo"


@pytest.fixture(scope="module")
def accounts(tmp_path_factory):
    """Three accounts; the dentist's shows the cases of one clinic."""
    accounts = Accounts(tmp_path_factory.mktemp("accounts") / "accounts.json")
    accounts.add("tom", Role.TECHNICIAN, PASSPHRASE)
    accounts.add("dora", Role.DENTIST, PASSPHRASE, ["QF-"], "Elm Street")
    accounts.add("quinn", Role.QA, PASSPHRASE)
    return accounts


def signed_in(place, by, passphrase=PASSPHRASE):
    client = client_of(place, by="")
    sent = {"token": token_in(client.get("/sign-in")), "by": by, "passphrase": passphrase}
    return client, client.post("/sign-in", data=sent, follow_redirects=False)


def test_a_dentist_sees_the_cases_of_one_clinic(filled, accounts, rods):
    client, answer = signed_in(workplace(filled[0], accounts=accounts), "dora")
    assert answer.status_code == 303
    assert CASE not in client.get("/cases").text + client.get("/").text
    for path in (f"/cases/{CASE}", f"/rods/{rods[0]}", f"/rods?identifier={rods[0]}",
                 f"/sets/{SET}/files/checks.json", f"/between/{CASE}?percent=55"):
        assert client.get(path).status_code == 404
    assert client.get("/cases/QF-1044").status_code == 200
    for near in (f"/rods?identifier={rods[0][:-1]}", "/cases/QF-0107", "/cases/QF-1044x"):
        answer = client.get(near)
        assert answer.status_code == 404
        assert "did you mean" not in answer.text
    token = token_in(client.get("/cases/QF-1044"))
    sent = {"token": token, "rod": rods[1], "state": "lost"}
    assert client.post("/told/QF-1044", data=sent).status_code == 404


def test_a_wrong_passphrase_and_an_unknown_code_are_told_alike(filled, accounts):
    place = workplace(filled[0], accounts=accounts)
    told = [signed_in(place, by, "wrong wrong wrong")[1] for by in ("tom", "nobody")]
    assert {answer.status_code for answer in told} == {403}
    assert all("code and passphrase do not go together" in answer.text for answer in told)


def test_guessing_is_slowed(filled, accounts):
    client = client_of(workplace(filled[0], accounts=accounts), by="")
    sent = {"token": token_in(client.get("/sign-in")), "by": "tom", "passphrase": "guess guess"}
    told = [client.post("/sign-in", data=sent).text for _ in range(6)]
    assert "too many wrong passphrases; try again in 3 seconds" in told[5]
    right = client.post("/sign-in", data={**sent, "passphrase": PASSPHRASE})
    assert "too many wrong passphrases" in right.text


def test_the_wait_doubles_up_to_a_quarter_of_an_hour():
    slips, now, waits = Slips(), NOW, []
    names = ("code tom", "address 10.0.0.7")
    for _ in range(1100):
        assert not slips.begin(names, now)
        waits.append(slips.begin(names, now).total_seconds() if len(waits) > 3 else 0)
        now += datetime.timedelta(seconds=waits[-1])
    assert waits[:7] == [0, 0, 0, 0, 2, 4, 8]
    assert waits[-1] == 900
    slips.right(*names)
    assert not slips.begin(("code tom",), now)
    assert not slips.begin(names, now)
    assert slips.begin(names, now).total_seconds() == 900  # the address has slipped as before
    assert not slips.begin(names, now + FORGOTTEN_AFTER + datetime.timedelta(seconds=1))


def test_an_account_taken_away_is_signed_out(filled, tmp_path):
    accounts = Accounts(tmp_path / "accounts.json")
    accounts.add("tom", Role.TECHNICIAN, PASSPHRASE)
    client, _ = signed_in(workplace(filled[0], accounts=accounts), "tom")
    assert client.get("/", follow_redirects=False).status_code == 200
    accounts.remove("tom")
    assert client.get("/", follow_redirects=False).headers["location"].startswith("/sign-in")


def test_another_passphrase_ends_the_visits(filled, tmp_path):
    accounts = Accounts(tmp_path / "accounts.json")
    accounts.add("tom", Role.TECHNICIAN, PASSPHRASE)
    client, _ = signed_in(workplace(filled[0], accounts=accounts), "tom")
    assert client.get("/", follow_redirects=False).status_code == 200
    accounts.add("tom", Role.TECHNICIAN, f"{PASSPHRASE} anew")
    assert client.get("/", follow_redirects=False).headers["location"].startswith("/sign-in")


def test_accounts_are_kept_by_the_command(tmp_path):
    file = tmp_path / "accounts.json"

    def run(*words):
        return CliRunner().invoke(cli, ["accounts", *words])

    add = ("add", str(file), "dora", "--role", "dentist", "--clinic", "Elm Street")
    assert "not said which cases are" in run(*add, "--passphrase", PASSPHRASE).output
    add = (*add, "--cases", "QF-", "--cases", "ELM/")
    assert "a passphrase has 12 to 200" in run(*add, "--passphrase", "short").output
    assert not file.exists()
    assert "dora signs in as dentist" in run(*add, "--passphrase", PASSPHRASE).output
    assert file.stat().st_mode & 0o077 == 0
    assert PASSPHRASE not in file.read_text("utf-8")
    assert "QF-…, ELM/…" in run("list", str(file)).output
    assert Accounts(file).every()["dora"].clinic == "Elm Street"
    assert '"role": "dentist"' in run("list", str(file), "--json").output
    assert "there is no account 'dave'" in run("remove", str(file), "dave").output
    assert run("remove", str(file), "dora").exit_code == 0
    file.write_text("{}", encoding="utf-8")
    assert "is not a file of accounts" in run("list", str(file)).output


def test_accounts_of_an_earlier_version_are_read(tmp_path):
    file = tmp_path / "accounts.json"
    kept = {"role": "dentist", "passphrase": "x", "cases": ""}
    every = {"accounts": {"dora": kept, "dave": {**kept, "cases": "QF-"}}}
    file.write_text(json.dumps(every), encoding="utf-8")
    found = Accounts(file).every()
    assert [found[code].sees("HLB-1") for code in ("dora", "dave")] == [True, False]


def test_a_clinic_is_told_nothing_of_other_cases(filled):
    with look_into(str(filled[0])) as reader:
        story = case_story(reader, CASE)
        shared = note("case_mark_shared", "the case mark EA is also on rods of QF-1", "case_mark")
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(case_facts, "case_story", lambda *_: replace(story, mark_notes=(shared,)))
            said = [facts_of(reader, CASE, limited=each).findings for each in (False, True)]
    assert [shared.message in each for each in said] == [True, False]


def test_a_limited_account_is_told_alike_of_a_rod_of_others_and_of_none(filled, rods, tmp_path):
    own = Accounts(tmp_path / "accounts.json")
    own.add("quinn", Role.QA, PASSPHRASE, ["QF-"], "Elm Street")
    client, _ = signed_in(workplace(filled[0], accounts=own), "quinn")
    token = token_in(client.get(f"/cases/{PARALLEL}"))
    told = [
        client.post(f"/{act}/{PARALLEL}", data={"token": token, "rod": rod, "cause": "other"})
        for act in ("use-as-is", "scan") for rod in (rods[1], rods[1][::-1])
    ]
    told += [client.get(f"/measure?case={PARALLEL}&identifier={rods[1][:-1]}")]
    assert [answer.status_code for answer in told] == [404] * 5
    assert not any(CASE in answer.text or grouped(rods[1]) in answer.text for answer in told)


def test_accounts_added_at_once_are_all_kept(tmp_path):
    accounts = Accounts(tmp_path / "accounts.json")
    with ThreadPoolExecutor(4) as at_once:
        list(at_once.map(lambda n: accounts.add(f"tom{n}", Role.QA, PASSPHRASE), range(4)))
    assert len(accounts.every()) == 4
    assert [path.name for path in tmp_path.iterdir()] == ["accounts.json"]
