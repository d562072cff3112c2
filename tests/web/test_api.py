"""What programs ask and are told: the commands' own JSON, accounts, roles and sentences."""

from __future__ import annotations

import json
import re

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.core.clinic import ClinicFile
from labkit.core.form.json_schema import file_schema
from labkit.ledger.store import look_into
from labkit.web.accounts import Accounts
from labkit.web.api.routes import description
from labkit.web.api.speak import PLACE
from labkit.web.app import names_of
from labkit.web.jobs.job import find
from labkit.web.rights import Role
from labkit.web.workplace import OwnFiles
from tests.support.recorded import parallel
from tests.support.workplaces import CASE, NOW, PARALLEL, ROOT, client_of, workplace

PASSPHRASE = "coffin verse plaid igloo"
PLAIN = ROOT / "templates" / "prescriptions" / "demo-plain.toml"


class Program:
    """A program that has signed in."""

    def __init__(self, client, by="anna", passphrase=""):
        self.client = client
        self.signed = client.post("/api/token", auth=(by, passphrase))
        token = self.signed.json().get("token")
        self.headers = {"Authorization": f"Bearer {token}"} if token else {}

    def get(self, path):
        return self.client.get(path, headers=self.headers)

    def post(self, path, **sent):
        return self.client.post(path, headers=self.headers, json=sent)


@pytest.fixture
def program(ledger):
    return Program(client_of(workplace(ledger), by=""))


@pytest.fixture(scope="module")
def reading(filled):
    """A program that only looks."""
    return Program(client_of(workplace(filled[0]), by=""))


def printed(filled, *words):
    """What a command prints with --json."""
    told = CliRunner().invoke(cli, [*words, "--json", "--ledger", str(filled[0])])
    return [json.loads(line) for line in told.stdout.splitlines()]


def test_reports_are_those_of_the_commands(reading, filled, rods):
    assert reading.get("/api/cases").json() == {"schema": 1, "cases": printed(filled, "cases")}
    for path, words in (
        (f"/api/cases/{CASE}", ("show", CASE)), (f"/api/sheet/{CASE}", ("sheet", CASE)),
        (f"/api/rods/{rods[0]}", ("find", rods[0])),
    ):
        assert [reading.get(path).json()] == printed(filled, *words)
    (verified,) = printed(filled, "ledger", "verify")
    head = reading.get("/api/head").json()
    assert head == {key: verified[key] for key in ("schema", "identity", "events", "head")}


@pytest.mark.parametrize("name", ["plain", "hinged"])
def test_lengths_are_those_of_the_command(reading, name):
    path = PLAIN.with_name(f"demo-{name}.toml")
    told = CliRunner().invoke(cli, ["lengths", str(path), "--json"])
    answer = reading.post("/api/lengths", prescription=path.read_text("utf-8"))
    assert answer.status_code == 200
    assert answer.text + "\n" == told.stdout


def test_what_is_refused_says_why_and_what_is_known(reading):
    near = re.sub(r"(?m)^percent = .*$", "percent = [50, 50.1, 100]", PLAIN.read_text("utf-8"))
    answer = reading.post("/api/lengths", prescription=near)
    assert answer.status_code == 409
    assert answer.json()["errors"]
    assert {each["message"] for each in answer.json()["findings"]} >= {*answer.json()["errors"]}


@pytest.mark.parametrize(
    ("sent", "sentence"),
    [
        ({}, "the request: prescription is missing"),
        ({"prescription": "x"}, "prescription:1: is not valid TOML"),
        ({"prescription": "schema = 1"}, "prescription:1: bite is missing; give a table [bite]"),
        ({"prescription": "x", "opening": 3}, "did you mean `opening_mm`?"),
        ({"prescription": "x", "opening_mm": [31]}, "opening_mm[1] = 31 is not usable"),
    ],
)
def test_what_cannot_be_read_says_where(reading, sent, sentence):
    answer = reading.post("/api/lengths", **sent)
    assert answer.status_code == 422
    assert sentence in "\n".join(answer.json()["errors"])


@pytest.mark.parametrize(
    ("raw", "kind", "status", "sentence"),
    [
        (b"{", "application/json", 422, "is not JSON"),
        (b'{"prescription": NaN}', "application/json", 422, "has NaN where a number belongs"),
        (b'{"a": 1, "a": 1}', "application/json", 422, "gives \"a\" twice"),
        (b"\xff", "application/json", 422, "is not UTF-8"),
        (b"[" * 9999, "application/json", 422, "is nested too deeply"),
        (b"", "", 422, "is not JSON"),
        (b"x=1", "application/x-www-form-urlencoded", 415, "this address takes JSON"),
        (b"{}", "text/plain", 415, "this address takes JSON"),
    ],
)
def test_what_is_no_json_is_told(reading, raw, kind, status, sentence):
    headers = {**reading.headers, "content-type": kind}
    answer = reading.client.post("/api/lengths", content=raw, headers=headers)
    assert answer.status_code == status
    assert sentence in answer.json()["errors"][0]


def test_what_becomes_of_rods_is_recorded_under_the_code(program, ledger, rods):
    sent = {"rods": rods[1:3], "state": "returned", "on": "2031-03-19", "note": "clean"}
    answer = program.post(f"/api/told/{CASE}", **sent)
    assert [each["state"] for each in answer.json()["rods"]] == ["returned"] * 2
    with look_into(str(ledger)) as reader:
        assert {reader.find(rod).state_since.by for rod in rods[1:3]} == {"anna"}
    again = program.post(f"/api/told/{CASE}", **sent)
    assert again.status_code == 409
    assert "is returned already" in again.json()["errors"][0]


def test_rods_of_another_case_are_not_told_of(program, ledger, rods):
    answer = program.post(f"/api/told/{PARALLEL}", rods=[rods[1]], state="returned")
    assert answer.status_code == 422
    (sentence,) = answer.json()["errors"]
    assert f"is of the case {CASE}, not of {PARALLEL}; record it there" in sentence


def test_a_case_that_no_page_could_show_is_not_opened(program, ledger):
    answer = program.post("/api/prescriptions", prescription=parallel(".."))
    assert answer.status_code == 409
    assert "no page could be shown of a case '..'" in answer.json()["errors"][0]


def test_a_prescription_opens_a_case_and_is_revised(program, ledger):
    text = parallel("QF-2000")
    first = program.post("/api/prescriptions", prescription=text).json()
    assert (first["case"], first["revision"], first["recorded"]) == ("QF-2000", 1, True)
    again = program.post("/api/prescriptions", prescription=text).json()
    assert (again["revision"], again["recorded"]) == (1, False)
    revised = {"prescription": f"{text}# the splint was remade\n"}
    bare = program.post("/api/prescriptions", **revised)
    assert (bare.status_code, "no reason is given" in bare.text) == (422, True)
    done = program.post("/api/prescriptions", **revised, reason="splint remade", revision=1).json()
    assert (done["revision"], done["changes"]) == (2, False)
    late = program.post("/api/prescriptions", **revised, reason="splint remade", revision=1)
    assert (late.status_code, "revision 1 would be revised" in late.text) == (409, True)
    with look_into(str(ledger)) as reader:
        assert [each.stamp.by for each in reader.prescriptions("QF-2000")] == ["anna"] * 2


def test_readings_are_decided_on_and_recorded(program, ledger, rods):
    sent = {"way": "over", "temperature_c": "20", "measured_on": "2031-03-20"}
    row = {"identifier": rods[4], "readings": ["x"]}
    before = ledger.read_bytes()
    wrong = program.post(f"/api/readings/{CASE}", **sent, rods=[row])
    assert wrong.status_code == 422
    assert grouped(rods[4]) in wrong.json()["errors"][0]
    assert ledger.read_bytes() == before
    look = {"identifier": rods[4], "look": "ok"}
    done = program.post(f"/api/readings/{CASE}", **sent, rods=[look]).json()
    assert [each["identifier"] for each in done["recorded"]] == [rods[4]]
    again = program.post(f"/api/readings/{CASE}", **sent, rods=[look])
    assert again.status_code == 409


def test_only_people_of_the_lab_send_readings(ledger, rods, tmp_path):
    profile = tmp_path / "lab.toml"
    profile.write_text('schema = 1\n[[people]]\ncode = "kim"\nname = "Kim Vale"\n', "utf-8")
    place = workplace(ledger, own=OwnFiles(profile=str(profile)))
    sent = {"measured_on": "2031-03-20", "rods": [{"identifier": rods[4], "look": "ok"}]}
    told = [
        Program(client_of(place, by=""), by).post(f"/api/readings/{CASE}", **sent)
        for by in ("quinny", "kim")
    ]
    assert [answer.status_code for answer in told] == [409, 200], told[0].text
    assert "quinny is not a code in the lab's profile" in told[0].json()["errors"][0]


def test_a_set_is_made_in_the_background(program, ledger, still):
    answer = program.post("/api/make/QF-1045")
    assert answer.status_code == 202
    name = answer.json()["job"]
    assert find(workplace(ledger), name).order.by == "anna"
    told = program.get(f"/api/jobs/{name}").json()
    assert (told["state"], told["case"]) == ("waiting", "QF-1045")
    assert program.get("/api/jobs").json()["jobs"] == [told]
    assert len(still) == 1


def test_a_clinics_file_is_a_proposal(program, ledger, rods):
    before = ledger.read_bytes()
    file = {"schema": 1, "case": PARALLEL, "on": "2031-03-15", "by": "dora"}
    answer = program.post("/api/intake", **file, told={"kind": "order", "percent": [75]})
    command = f"labkit extra {PARALLEL} --percent 75 --out sets --by CODE"
    assert answer.json()["commands"] == [command]
    keys = {"zero": "retruded", "retruded": "-5,2", "protruded": "6,4", "registered": "2,9"}
    answer = program.post("/api/intake", **file, told={"kind": "prescription", "keys": keys})
    assert answer.status_code == 422
    assert "appliance is missing" in "\n".join(answer.json()["errors"])
    assert ledger.read_bytes() == before


def test_a_program_signs_in_and_out(filled, tmp_path):
    accounts = Accounts(tmp_path / "accounts.json")
    accounts.add("dora", Role.DENTIST, PASSPHRASE, ["QF-"], "Elm Street")
    client = client_of(workplace(filled[0], accounts=accounts), by="")
    nobody = client.get("/api/cases")
    assert nobody.status_code == 401
    assert nobody.headers["www-authenticate"].startswith("Bearer")
    assert "sign in at /api/token" in nobody.json()["errors"][0]
    assert "no code and passphrase are given" in client.post("/api/token").json()["errors"][0]
    wrong = Program(client, "dora", "wrong wrong wrong").signed
    assert (wrong.status_code, "do not go together" in wrong.text) == (409, True)
    dora = Program(client, "dora", PASSPHRASE)
    assert dora.signed.json()["role"] == "dentist"
    assert [each["case"] for each in dora.get("/api/cases").json()["cases"]] == [
        "QF-1044", "QF-1045",
    ]
    for path in (f"/api/cases/{CASE}", f"/api/sheet/{CASE}", "/api/rods/00006747228876"):
        answer = dora.get(path)
        assert (answer.status_code, "did you mean" in answer.text) == (404, False)
    assert dora.post("/api/make/QF-1045").status_code == 403
    client.request("DELETE", "/api/token", headers=dora.headers)
    assert dora.get("/api/cases").status_code == 401


def test_guessing_is_slowed_for_programs_too(filled, tmp_path):
    accounts = Accounts(tmp_path / "accounts.json")
    accounts.add("tom", Role.TECHNICIAN, PASSPHRASE)
    client = client_of(workplace(filled[0], accounts=accounts), by="")
    for _ in range(6):
        client.app.state.slips.begin(("code tom", "address testclient"), NOW)
    assert "too many wrong passphrases" in Program(client, "tom", PASSPHRASE).signed.text


def test_a_cookie_is_no_token(filled):
    """A page elsewhere cannot make a browser ask: what it shows by itself is not looked at."""
    client = client_of(workplace(filled[0]))
    assert client.get("/cases").status_code == 200
    assert client.get("/api/cases").status_code == 401


def test_what_is_not_foreseen_is_told_in_json(filled, monkeypatch):
    client = client_of(workplace(filled[0]), by="", raise_server_exceptions=False)
    monkeypatch.setattr("labkit.web.api.routes.all_cases", lambda _: 1 / 0)
    answer = Program(client).get("/api/cases")
    assert answer.status_code == 500
    assert "does not foresee" in answer.json()["errors"][0]
    assert "ZeroDivision" not in answer.text


def test_the_description_is_true_to_the_addresses(reading):
    told = reading.client.get("/api/openapi.json").json()
    assert told == json.loads(json.dumps(description()))
    routes = names_of(reading.client.app)
    shown = {
        (method, re_path(route.path)) for route in routes.values()
        if route.path.startswith(PLACE) and route.name != "api_openapi"
        for method in route.methods
    }
    described = {(method.upper(), path) for path, each in told["paths"].items() for method in each}
    assert described == shown
    assert all(each["responses"].keys() >= {"4XX"} for path in told["paths"].values()
               for each in path.values())


def re_path(path):
    return path.replace(":path", "")


def test_every_answer_has_the_keys_that_are_described(reading, rods):
    paths = description()["paths"]
    for path, at in (
        ("/api/cases", ""), ("/api/cases/{case}", CASE), ("/api/sheet/{case}", CASE),
        ("/api/rods/{identifier}", rods[0]), ("/api/head", ""), ("/api/jobs", ""),
    ):
        answer = reading.get(path.partition("{")[0] + at)
        shown = paths[path]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
        for key, kind in shown["properties"].items():
            assert type(answer.json()[key]) is KINDS[kind["type"]], (path, key)


KINDS = {"string": str, "integer": int, "array": list, "object": dict}


def test_the_schema_of_a_file_follows_its_form():
    schema = file_schema(ClinicFile)
    assert set(schema["required"]) == {"schema", "case", "on", "by", "told"}
    kinds = [each["properties"]["kind"]["const"] for each in schema["properties"]["told"]["oneOf"]]
    assert kinds == ["trial", "order", "follow-up", "rods", "prescription"]
    percent = schema["properties"]["told"]["oneOf"][1]["properties"]["percent"]
    assert percent["items"] == {"type": "number", "minimum": 0, "maximum": 100}
    assert percent["minItems"] == 1
