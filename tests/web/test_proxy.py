"""The guide's configuration of a proxy that encrypts, tried with the proxy itself."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import ssl
import subprocess
import sys

import httpx
import pytest

from labkit.web.accounts import Accounts
from labkit.web.rights import Role
from tests.benchmarks.workplace import free_port, running
from tests.support.guide_pages import page
from tests.support.workplaces import PenOfNow, fill, token_in

PASSPHRASE = "coffin verse plaid igloo"
#: What stands round a site's configuration in a proxy that is not the machine's own.
ROUND = """
{user}
daemon off;
pid {folder}/nginx.pid;
error_log {folder}/error.log;
events {{}}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxied;
{site}
}}
"""


@pytest.fixture(scope="module")
def proxied(tmp_path_factory):
    """Serve a filled workplace behind the guide's proxy; give its folder and the ports used."""
    for needed in ("nginx", "openssl"):
        if shutil.which(needed, path=f"{os.environ['PATH']}:/usr/sbin") is None:
            pytest.skip(f"{needed} is not installed")
    folder = tmp_path_factory.mktemp("proxy")
    fill(folder / "ledger.sqlite", PenOfNow)
    Accounts(folder / "accounts.json").add("quinn", Role.QA, PASSPHRASE)
    run(["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
         "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost",
         "-keyout", folder / "key.pem", "-out", folder / "certificate.pem"])
    ports = {"443": free_port(), "80": free_port(), "8765": free_port()}
    (folder / "nginx.conf").write_text(configuration(folder, ports), "utf-8")
    serve = [sys.executable, "-m", "labkit", "serve", "--port", str(ports["8765"]),
             "--ledger", str(folder / "ledger.sqlite"), "--sets", str(folder / "sets"),
             "--accounts", str(folder / "accounts.json")]
    nginx = ["nginx", "-p", str(folder), "-e", str(folder / "error.log"),
             "-c", str(folder / "nginx.conf")]
    path = {**os.environ, "PATH": f"{os.environ['PATH']}:/usr/sbin"}
    with pytest.MonkeyPatch.context() as patch, contextlib.ExitStack() as stack:
        patch.setenv("PATH", path["PATH"])
        stack.enter_context(running(serve, ports["8765"]))
        stack.enter_context(running(nginx, ports["443"]))
        yield folder, ports


def run(words):
    subprocess.run(list(map(str, words)), check=True, capture_output=True, timeout=60)


def configuration(folder, ports):
    """The guide's site, with this test's names, ports and certificate."""
    site = re.search(r"^```nginx\n(.*?)^```$", page("serve"), re.MULTILINE | re.DOTALL)[1]
    for port, here in ports.items():
        site = re.sub(rf"\b{port}\b", str(here), site)
    site = site.replace("lab.example", "localhost")
    for name in ("certificate.pem", "key.pem"):
        site = re.sub(rf"/\S+/{name}", str(folder / name), site)
    user = "user root;" if os.geteuid() == 0 else ""
    return ROUND.format(folder=folder, site=site, user=user)


@pytest.fixture
def visitor(proxied):
    folder, ports = proxied
    trusted = ssl.create_default_context(cafile=folder / "certificate.pem")
    base = f"https://localhost:{ports['443']}"
    with httpx.Client(base_url=base, verify=trusted, timeout=30) as client:
        yield client


@pytest.mark.slow
def test_a_visit_through_the_proxy_is_encrypted_and_its_cookie_secure(visitor):
    asking = visitor.get("/sign-in")
    sent = {"token": token_in(asking), "by": "quinn", "passphrase": PASSPHRASE}
    answer = visitor.post("/sign-in", data=sent)
    assert answer.status_code == 303
    cookie = answer.headers["set-cookie"]
    assert "Secure" in cookie
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert answer.headers["strict-transport-security"].startswith("max-age=")
    shown = visitor.get("/cases")
    assert shown.status_code == 200
    assert "HLB-0107" in shown.text
    whole = visitor.get("/sets/HLB-0107-r1/all.zip")
    assert whole.headers["content-type"] == "application/zip"


@pytest.mark.slow
def test_what_is_not_encrypted_is_led_to_what_is(proxied):
    _, ports = proxied
    answer = httpx.get(f"http://localhost:{ports['80']}/cases", timeout=30)
    assert answer.status_code == 301
    assert answer.headers["location"] == "https://localhost/cases"


@pytest.mark.slow
def test_forms_from_elsewhere_and_what_is_too_big_stay_outside(visitor):
    token = token_in(visitor.get("/sign-in"))
    sent = {"token": token, "by": "quinn", "passphrase": PASSPHRASE}
    elsewhere = {"origin": "https://elsewhere.example"}
    assert visitor.post("/sign-in", data=sent, headers=elsewhere).status_code == 403
    own = {"origin": str(visitor.base_url).rstrip("/")}
    assert visitor.post("/sign-in", data=sent, headers=own).status_code == 303
    assert visitor.post("/sign-in", content=b"x" * 3_000_000).status_code == 413


@pytest.mark.slow
def test_guessing_through_the_proxy_slows_the_guesser_alone(visitor, proxied):
    """The proxy says who asks; what a guesser says of that is not passed on."""
    _, ports = proxied
    for number in range(6):
        visitor.post("/api/token", auth=(f"guess{number}", "guess guess guess"),
                     headers={"x-forwarded-for": f"10.0.0.{number}"})
    told = visitor.post("/api/token", auth=("quinn", PASSPHRASE))
    assert "too many wrong passphrases" in told.text
    # Asked beside the proxy, as another machine by what a header says: that one has not slipped.
    own = httpx.post(
        f"http://127.0.0.1:{ports['8765']}/api/token", auth=("quinn", PASSPHRASE), timeout=30,
        headers={"x-forwarded-for": "10.0.0.99"},
    )
    assert own.status_code == 200
