"""Rods as solids: built in a process of their own when somebody asks, and kept."""

from __future__ import annotations

import json
import struct
from types import SimpleNamespace

import pytest

from labkit.catalog.rods import rod_templates
from labkit.catalog.toml_source import parse_toml
from labkit.web.jobs import solids
from labkit.workflow.intake.prescriptions import texts_of
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.solids import solids_digest
from tests.support.making import ONE
from tests.support.workplaces import CASE, SET, client_of, token_in, workplace
from tests.web.test_prescription import NEW, PART, words

OF_ONE = texts_of(parse_toml(ONE, "rx.toml"))


@pytest.fixture
def begun(monkeypatch):
    """Write orders down and begin no process; each is at work until it is ended."""
    processes = []

    def begin(arguments, **_):
        process = SimpleNamespace(words=arguments, ended=None)
        process.poll = lambda: process.ended
        process.wait = lambda: 0
        processes.append(process)
        return process

    monkeypatch.setattr(solids, "subprocess", SimpleNamespace(Popen=begin, DEVNULL=-3))
    monkeypatch.setattr(solids, "_BEGUN", {})
    return processes


@pytest.fixture
def place(filled, tmp_path):
    return workplace(filled[0], sets=tmp_path / "sets")


def ask(client, texts):
    sent = {"token": token_in(client.get("/new-case")), **texts}
    return client.post("/prescription-solids", data=sent, headers=PART)


def digest_of(text):
    return solids_digest(open_case(parse_toml(text, "rx.toml"), dict(rod_templates())))


def names_in(glb):
    (length,) = struct.unpack_from("<I", glb, 12)
    return [node["name"] for node in json.loads(glb[20 : 20 + length])["nodes"]]


def test_solids_are_built_once_and_shown(place, begun):
    client, digest = client_of(place), digest_of(ONE)
    shown = ask(client, OF_ONE)
    assert "The solids are being built" in words(shown.text)
    assert f'hx-get="/solids/{digest}"' in shown.text
    assert ask(client, {**OF_ONE, "notes": "other words"}).text == shown.text
    (process,) = begun
    assert client.get(f"/solids/{digest}/rods.glb").status_code == 404
    solids.main(place.sets / solids.FOLDER, process.words[-1])
    assert f'data-glb="/solids/{digest}/rods.glb"' in client.get(f"/solids/{digest}").text
    glb = client.get(f"/solids/{digest}/rods.glb")
    assert glb.headers["content-type"] == "model/gltf-binary"
    assert names_in(glb.content) == ["35.9"]
    assert "data-glb" in ask(client, OF_ONE).text
    assert len(begun) == 1
    look = {"token": token_in(client.get("/new-case")), **OF_ONE}
    assert "data-glb" not in client.post("/prescription-look", data=look, headers=PART).text
    look["solids"] = "yes"
    assert "data-glb" in client.post("/prescription-look", data=look, headers=PART).text


def test_what_keeps_them_from_being_built_is_told(place, begun):
    client = client_of(place)
    assert "the form is not right yet" in words(ask(client, {"case": "X"}).text).casefold()
    ask(client, OF_ONE)
    folder, digest = place.sets / solids.FOLDER, digest_of(ONE)
    order = json.loads((folder / f"{digest}.json").read_text("utf-8"))
    order["text"] = ONE.replace("registered = 2.9", "registered = 9")
    (folder / f"{digest}.json").write_text(json.dumps(order), encoding="utf-8")
    solids.main(folder, digest)
    assert "lies outside the range" in words(client.get(f"/solids/{digest}").text)
    begun[0].ended = 0
    assert "are being built" in words(ask(client, OF_ONE).text)  # anew
    begun[1].ended = -9
    assert "was stopped; ask for them again" in words(client.get(f"/solids/{digest}").text)


def test_few_wait_at_once_and_the_last_ones_are_kept(place, begun, monkeypatch):
    client = client_of(place)
    for tenth in range(solids.MOST_WAITING):
        ask(client, {**NEW, "percent": f"5{tenth}", "start": ""})
    assert len(begun) == solids.MOST_WAITING
    assert "ask again in a minute" in words(ask(client, {**NEW, "percent": "60", "start": ""}).text)
    begun[0].ended = 0
    monkeypatch.setattr(solids, "MOST_KEPT", 2)
    ask(client, {**NEW, "percent": "60", "start": ""})
    assert len(list((place.sets / solids.FOLDER).iterdir())) == 3
    assert list(solids._BEGUN.values()) == begun[1:]  # those that ended are forgotten


@pytest.mark.parametrize("digest", ["0" * 63, "x" * 64, "..%2f" * 3])
def test_no_address_leads_to_another_file(looking, digest):
    assert looking.get(f"/solids/{digest}").status_code == 404
    assert looking.get(f"/solids/{digest}/rods.glb").status_code == 404


def test_a_made_set_shows_its_own_solids(looking):
    page = looking.get(f"/sets/{SET}/solids")
    assert f'data-glb="/sets/{SET}/files/pictures/set.glb"' in page.text
    assert f'href="/sets/{SET}/solids"' in looking.get(f"/cases/{CASE}").text
    assert looking.get("/sets/none/solids").status_code == 404
