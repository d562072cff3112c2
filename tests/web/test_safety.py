"""Who may do what, and what keeps others out."""

from __future__ import annotations

import datetime
import re
import socket

import pytest
from click.testing import CliRunner
from starlette.routing import Mount

from labkit.cli.main import cli
from labkit.web.app import application, names_of
from labkit.web.rights import RIGHTS, Role, may
from labkit.web.visits import MOST, Visits
from tests.support.workplaces import CASE, NOW, SET, client_of, token_in, workplace

PASSPHRASE = "coffin verse plaid igloo"
#: What somebody reaches who has not signed in.
OPEN = {
    "static", "fonts", "guide", "guide_frame", "guide_page", "guide_picture", "sign_in",
    "signed_in", "api_openapi", "api_token",
}
#: What ends the visit of whoever asks.
ENDS = {"sign_out", "api_token_end"}
#: Words in the names of addresses → a role that may not ask for them: by sending anything.
NOT_BY = [
    *((word, Role.DENTIST) for word in ("release", "certificate", "measure", "make", "again")),
    *((word, Role.QA) for word in ("prescri", "new_case", "make")),
]
ABOUT = {"case": CASE, "name": SET, "file": "checks.json", "identifier": "0340434111"}


def test_every_address_has_its_row_and_every_row_its_address(filled):
    assert names_of(application(workplace(filled[0]))).keys() == RIGHTS.keys()


def asked(route):
    """Give the method and path of an address, with something in each of its places."""
    path = re.sub(r"{(\w+)(:path)?}", lambda place: ABOUT.get(place[1], "1"), route.path)
    return next(iter(route.methods)), path


@pytest.mark.parametrize("role", Role)
def test_the_matrix_of_roles_and_addresses(ledger, role, still):
    """Every address of every page is asked as every role, a new page's too."""
    client = client_of(workplace(ledger), by="")
    visits, let_in = client.app.state.visits, {}
    secret, visit = visits.begin(NOW, "x" if role is not Role.NOBODY else "", role)
    client.cookies.set("labkit", secret)
    for name, route in names_of(client.app).items():
        if isinstance(route, Mount) or name in ENDS:
            continue
        method, path = asked(route)
        program = path.startswith("/api/")
        answer = client.request(
            method, path, follow_redirects=False,
            data={"token": visit.token} if method == "POST" and not program else None,
            headers={"Authorization": f"Bearer {secret}"} if program else None,
        )
        to_sign_in = answer.headers.get("location", "").startswith("/sign-in")
        let_in[name] = answer.status_code not in (401, 403) and not to_sign_in
        assert answer.status_code < 500, name
    assert let_in == {name: may(role, name) for name in let_in}
    if role is Role.NOBODY:
        assert {name for name, let in let_in.items() if let} == OPEN - {"static", "fonts"}


@pytest.mark.parametrize(("word", "role"), NOT_BY)
def test_nobody_sends_what_is_another_ones_work(filled, word, role):
    sent = [
        name for name, route in names_of(application(workplace(filled[0]))).items()
        if word in name and not isinstance(route, Mount) and "GET" not in route.methods
    ]
    assert not [name for name in sent if may(role, name)]


def test_what_no_row_names_serves_nobody():
    assert not any(may(role, "unheard of") for role in Role)


def test_the_secret_is_another_after_signing_in(filled):
    client = client_of(workplace(filled[0]), by="")
    client.get("/sign-in")
    before = client.cookies["labkit"]
    sent = {"token": token_in(client.get("/sign-in")), "by": "anna"}
    answer = client.post("/sign-in", data=sent, follow_redirects=False)
    assert client.cookies["labkit"] != before
    assert "HttpOnly" in answer.headers["set-cookie"]
    assert "SameSite=strict" in answer.headers["set-cookie"]
    planted = client_of(workplace(filled[0]), by="")
    planted.cookies.set("labkit", "chosen-by-somebody-else")
    planted.get("/sign-in")
    assert "chosen-by-somebody-else" not in client.app.state.visits._kept
    client.cookies.set("labkit", before)
    assert client.get("/", follow_redirects=False).status_code == 303


@pytest.mark.parametrize("token", [None, "", "x" * 43])
def test_a_form_without_the_token_records_nothing(browser, ledger, rods, token):
    before = ledger.read_bytes()
    sent = {"rod": rods[1], "state": "lost", **({} if token is None else {"token": token})}
    answer = browser.post(f"/told/{CASE}", data=sent)
    assert answer.status_code == 403
    assert "This form is too old" in answer.text
    assert ledger.read_bytes() == before


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"sec-fetch-site": "cross-site"}, 403), ({"origin": "http://elsewhere.example"}, 403),
        ({"host": "elsewhere.example"}, 421), ({"host": "["}, 421),
        ({"content-length": "1000001"}, 413), ({"content-length": b"\xb2"}, 413),
        ({"content-length": "many"}, 413), ({"transfer-encoding": "chunked"}, 411),
    ],
)
def test_what_comes_from_elsewhere_or_is_too_big_is_turned_away(browser, rods, headers, status):
    sent = {"token": token_in(browser.get(f"/cases/{CASE}")), "rod": rods[1], "state": "lost"}
    answer = browser.post(f"/told/{CASE}", data=sent, headers=headers)
    assert answer.status_code == status
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(
    "path", ["/", "/cases", f"/cases/{CASE}", "/nowhere", "/static/labkit.css"]
)
def test_every_answer_bears_the_headers(looking, path):
    headers = looking.get(path).headers
    policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["form-action"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert headers["referrer-policy"] == "same-origin"
    assert "server" not in headers


def test_what_is_not_foreseen_shows_no_trace(filled, monkeypatch):
    client = client_of(workplace(filled[0]), raise_server_exceptions=False)
    monkeypatch.setattr("labkit.web.pages.cases.all_cases", lambda _: 1 / 0)
    answer = client.get("/cases")
    assert answer.status_code == 500
    assert "Not foreseen" in answer.text
    assert "ZeroDivision" not in answer.text
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")


@pytest.mark.parametrize("path", [
    f"/certificate/{CASE}?entry=x", f"/measure/{CASE}?recorded=x", f"/since/x/{CASE}",
])
def test_what_is_no_number_in_an_address_is_told_on_a_page(looking, path):
    answer = looking.get(path)
    assert answer.status_code == 422
    assert answer.headers["content-type"].startswith("text/html")
    assert "in this address is &#39;x&#39;, which is no whole number; give one such as 12" in (
        answer.text
    )


@pytest.mark.parametrize("path", [
    f"/certificate/{CASE}?entry={10**30}", f"/measure/{CASE}?recorded={10**30}",
    f"/since/{10**30}/{CASE}",
])
def test_a_number_too_large_for_the_record_is_none_of_its_own(looking, path):
    assert looking.get(path).status_code < 500


def test_no_page_holds_a_script_a_style_or_an_outside_address(looking, rods):
    for path in ("/", "/cases", f"/cases/{CASE}", f"/between/{CASE}?percent=55",
                 f"/rods/{rods[0]}", "/sign-in"):
        text = looking.get(path).text
        assert "<style" not in text
        assert " style=" not in text
        assert " onclick=" not in text
        assert "http://" not in text.replace("http://www.w3.org", "")
        assert "https://" not in text
        assert text.count("<script") == text.count('<script src="/static/') == 1


def test_nothing_typed_becomes_markup(browser, ledger, rods):
    evil = '<script>alert(1)</script>"\'><img src=x onerror=alert(1)>'
    token = token_in(browser.get(f"/cases/{CASE}"))
    sent = {"token": token, "rod": rods[1], "state": "returned", "note": evil}
    assert browser.post(f"/told/{CASE}", data=sent).status_code == 200
    for path in (f"/cases/{CASE}", f"/rods/{rods[1]}", f"/cases?find={evil}", f"/cases/{evil}",
                 f"/rods?identifier={evil}", f"/sign-in?to={evil}"):
        text = browser.get(path).text
        assert "<script>alert" not in text
        assert "<img" not in text


@pytest.mark.parametrize("to", ["//elsewhere.example", "https://elsewhere.example", "/\\x", "x"])
def test_signing_in_leads_to_this_workplace_only(filled, to):
    client = client_of(workplace(filled[0]), by="")
    token = token_in(client.get("/sign-in"))
    answer = client.post(
        "/sign-in", data={"token": token, "by": "anna", "to": to}, follow_redirects=False
    )
    assert answer.headers["location"] == "/"


def test_a_crowd_of_nobody_signs_nobody_out():
    visits = Visits()
    secret, _ = visits.begin(NOW, "anna", Role.ALL)
    crowd = [visits.begin(NOW)[0] for _ in range(MOST + 2)]
    assert visits.find(secret, NOW).by == "anna"
    assert visits.find(crowd[1], NOW) is None
    assert visits.find(crowd[2], NOW) is not None


def test_a_visit_ends_a_day_after_signing_in():
    visits = Visits()
    secret, _ = visits.begin(NOW, "anna", Role.ALL)
    for hours in (8, 16, 24):
        assert visits.find(secret, NOW + datetime.timedelta(hours=hours)) is not None
    assert visits.find(secret, NOW + datetime.timedelta(hours=24, seconds=1)) is None


def test_a_visit_ends_when_nobody_is_there(filled):
    clock = [NOW]
    client = client_of(workplace(filled[0], now=lambda: clock[0]))
    clock[0] += datetime.timedelta(hours=11)
    assert client.get("/", follow_redirects=False).status_code == 200
    clock[0] += datetime.timedelta(hours=7)
    assert client.get(f"/since/1/{CASE}", follow_redirects=False).status_code == 200
    clock[0] += datetime.timedelta(hours=6)  # a page that asks by itself keeps no visit alive
    assert client.get("/", follow_redirects=False).status_code == 303


def test_a_part_of_a_page_leads_the_whole_page_to_sign_in(filled):
    client = client_of(workplace(filled[0]), by="")
    page = f"http://127.0.0.1:8765/between/{CASE}?percent=55"
    headers = {"hx-request": "true", "hx-current-url": page}
    answer = client.get(f"/since/1/{CASE}", headers=headers, follow_redirects=False)
    wanted = f"/sign-in?to=%2Fbetween%2F{CASE}%3Fpercent%3D55"
    assert (answer.text, answer.headers["hx-redirect"]) == ("", wanted)
    whole = client.get(f"/between/{CASE}?percent=55", follow_redirects=False)
    assert whole.headers["location"] == wanted
    elsewhere = {**headers, "hx-current-url": "http://elsewhere.example/"}
    assert client.get("/", headers=elsewhere).headers["hx-redirect"] == "/sign-in?to=%2F"


@pytest.mark.parametrize("path", ["/elsewhere.example/", "//elsewhere.example", "\\elsewhere"])
def test_the_way_back_leads_nowhere_else(looking, path):
    own = "http://127.0.0.1:8765/"
    told = looking.get("/cases/QF-9", headers={"referer": own + path}).text
    assert 'href="/elsewhere' in told
    assert 'href="//' not in told


def test_an_address_without_a_row_of_rights_opens_nothing(filled, monkeypatch):
    monkeypatch.setattr("labkit.web.app.RIGHTS", {})
    with pytest.raises(RuntimeError, match="no row of rights names"):
        application(workplace(filled[0]))


def test_signing_out_ends_the_visit(browser):
    secret = browser.cookies["labkit"]
    browser.post("/sign-out", data={"token": token_in(browser.get("/"))})
    browser.cookies.set("labkit", secret)
    assert browser.get("/", follow_redirects=False).status_code == 303


def test_signing_out_alone_forgets_drafts(browser):
    """Not an address, which any page can lead to."""
    forgets = "signed-out.js"
    assert forgets not in browser.get("/sign-in?out=1").text
    assert forgets in browser.post("/sign-out", data={"token": token_in(browser.get("/"))}).text
    assert forgets not in browser.get("/sign-in").text


def test_other_machines_need_accounts():
    told = CliRunner().invoke(cli, ["serve", "--host", "0.0.0.0"])
    assert told.exit_code == 2
    assert "to other machines without accounts" in told.output


def test_a_port_that_is_taken_is_told():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        told = CliRunner().invoke(cli, ["serve", "--port", str(port)])
    assert told.exit_code == 2
    assert f"port {port} of 127.0.0.1 cannot be opened" in told.output


@pytest.mark.parametrize("role", [Role.TECHNICIAN, Role.DENTIST])
def test_only_qa_overrules(ledger, rods, role):
    client = client_of(workplace(ledger), by="")
    before = ledger.read_bytes()
    unreleased = {"rod": rods[5], "state": "delivered", "unreleased": "in a hurry"}
    answer = _sent(client, role, unreleased)
    assert answer.status_code == 409
    assert "handed out by QA alone" in answer.text
    assert ledger.read_bytes() == before
    assert 'name="unreleased"' not in client.get(f"/cases/{CASE}").text
    assert 'name="unreleased"' not in client.get(f"/rods/{rods[5]}").text
    assert _sent(client, Role.QA, {"rod": rods[5], "state": "withdrawn"}).status_code == 200
    back = {"rod": rods[5], "state": "mistaken", "note": "a slip"}
    answer = _sent(client, role, back)
    assert answer.status_code == 409
    assert "QA alone takes that back" in answer.text
    assert 'value="mistaken"' not in client.get(f"/rods/{rods[5]}").text
    assert _sent(client, Role.QA, back).status_code == 200
    assert _sent(client, Role.QA, unreleased).status_code == 200


def test_a_dentist_takes_back_only_what_is_their_own(ledger, rods):
    client = client_of(workplace(ledger), by="")
    back = {"rod": rods[1], "state": "mistaken", "note": "a slip"}
    answer = _sent(client, Role.DENTIST, back)
    assert answer.status_code == 409
    assert "recorded that the rod" in answer.text
    assert _sent(client, Role.DENTIST, {**back, "state": "lost"}).status_code == 200
    assert _sent(client, Role.DENTIST, back).status_code == 200


def _sent(client, role, told):
    """Send a form as somebody of a role."""
    secret, visit = client.app.state.visits.begin(NOW, f"x{role.value}", role)
    client.cookies.set("labkit", secret)
    return client.post(f"/told/{CASE}", data={"token": visit.token, **told})
