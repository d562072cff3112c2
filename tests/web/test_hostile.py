"""Whatever is typed or sent, at every address of pages and programs, changes nothing by itself."""

from __future__ import annotations

import re
from urllib.parse import quote, urlencode

import pytest
from starlette.routing import Mount

from labkit.web.api.routes import description
from labkit.web.app import names_of
from tests.support.hostile import HOSTILE
from tests.support.workplaces import NOW, PARALLEL, SET, client_of, token_in, workplace

#: Ends the visit or begins one: what is typed there is tried in its own tests.
_LEFT_OUT = {"sign_out", "api_token_end", "api_token", "signed_in"}
#: Asked for in an address, of all pages together.
_ASKED = ("identifier", "find", "to", "percent", "low", "high", "count", "set", "case", "of",
          "left", "right", "recorded", "step", "drop", "entry")
#: Where something is in its place, so that what follows it is looked at.
_GOOD = {"case": PARALLEL, "name": SET, "file": "checks.json"}
#: With nothing wrong in the address, a set is made, or withheld for any reason, or its papers are
#: printed again: that is no slip.
_WORKS = {"set_make", "api_make", "set_release_withheld", "papers_printed"}
#: So many texts are one run, so that a broken-off one goes on from its part (`-k "475"`).
_PART = 25
#: An address is no longer than a server takes.
_LONGEST = 300
_MARKUP = re.compile("<script>|<svg onload|<img src=x|<a href=//x")


class Sender:
    """Sends one text to every address, in every place."""

    def __init__(self, ledger):
        self.client = client_of(workplace(ledger))
        self.token = token_in(self.client.get("/cases"))
        secret, _ = self.client.app.state.visits.begin(NOW, "anna", "all")
        self.headers = {"Authorization": f"Bearer {secret}"}
        self.routes = {
            name: route for name, route in names_of(self.client.app).items()
            if not isinstance(route, Mount) and name not in _LEFT_OUT
        }
        self.fields = sorted(self._fields())

    def _fields(self):
        """Names of fields on every page."""
        for route in self.routes.values():
            if "GET" in route.methods:
                text = self.client.get(filled(route.path, _GOOD), headers=self.headers).text
                yield from re.findall(r' name="([^"]+)"', text)
        yield from ("rod", "percent", "low", "high", "entry")

    def send(self, text):
        """Give address and status of every answer."""
        typed = quote(text[:_LONGEST], safe="")
        evil = dict.fromkeys(("case", "name", "file", "identifier", "entry", "topic"), typed)
        for name, route in self.routes.items():
            for about in (evil,) if name in _WORKS else (evil, {**evil, **_GOOD}):
                yield name, self._answer(route, filled(route.path, about), text)

    def _answer(self, route, path, text):
        (method,) = route.methods
        if path.startswith("/api/"):
            sent = body_of(route, text) if method == "POST" else None
            return self.client.request(
                method, path, headers=self.headers, json=sent, follow_redirects=False
            )
        if method == "GET":
            return self.client.get(f"{path}?{urlencode(dict.fromkeys(_ASKED, text[:_LONGEST]))}")
        sent = {**dict.fromkeys(self.fields, text), "token": self.token}
        return self.client.post(path, data=sent, follow_redirects=False)


def filled(path, about):
    return re.sub(r"{(\w+)(:path)?}", lambda place: about.get(place[1], "1"), path)


def body_of(route, text):
    """The text at every key that an address takes."""
    told = description()["paths"][route.path.replace(":path", "")]["post"].get("requestBody")
    if told is None:
        return None
    shape = told["content"]["application/json"]["schema"]
    return {
        key: [text] if each.get("type") == "array" else text
        for key, each in shape["properties"].items()
    }


def state(ledger):
    """What the record and the folder beside it hold; locks and logs come and go."""
    names = {str(path) for path in ledger.parent.rglob("*") if "sqlite-" not in path.name}
    return ledger.read_bytes(), names


@pytest.fixture
def sender(ledger, still):
    return Sender(ledger)


def sent_in_vain(sender, ledger, texts):
    before = state(ledger)
    for text in texts:
        for name, answer in sender.send(text):
            assert answer.status_code < 500, (name, text[:60])
            kind = answer.headers.get("content-type", "")
            if kind.startswith("text/html"):
                assert not _MARKUP.search(answer.text), (name, text[:60])
        assert state(ledger) == before, text[:60]


def test_a_few_texts_at_every_address(sender, ledger):
    assert len(HOSTILE) == 500
    sent_in_vain(sender, ledger, (HOSTILE[1], "\u202e<script>'\"=1+1\x00"))


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("first", range(0, 500, _PART))
def test_five_hundred_texts_at_every_address(sender, ledger, first):
    sent_in_vain(sender, ledger, HOSTILE[first : first + _PART])


def test_no_form_is_taken_without_its_token(sender, ledger):
    """Whoever makes a browser send a form does not know the token of the visit."""
    before = state(ledger)
    for name, route in sender.routes.items():
        if "POST" in route.methods and not route.path.startswith("/api/"):
            for sent in ({}, {"token": "x" * 43}):
                answer = sender.client.post(filled(route.path, _GOOD), data=sent)
                assert answer.status_code == 403, name
                assert "too old" in answer.text
    assert state(ledger) == before


def test_no_program_is_let_in_by_a_cookie(sender):
    for name, route in sender.routes.items():
        if route.path.startswith("/api/") and name != "api_openapi":
            (method,) = route.methods
            answer = sender.client.request(method, filled(route.path, _GOOD))
            assert answer.status_code == 401, name
