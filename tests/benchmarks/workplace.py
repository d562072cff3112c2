"""The workplace under load, beside a bare FastAPI: `python -m tests.benchmarks.workplace`.

Clients at once on this machine, each as somebody who fills in a prescription: a second or so
between two requests for the lengths of what stands in the form by then. Each also records what
becomes of a rod of its own, so that a lost entry would show. Printed are start-up, idle memory, and
percentiles.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import itertools
import json
import os
import random
import re
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlencode

from labkit.catalog.places import templates_dir
from labkit.catalog.toml_source import parse_toml
from labkit.ledger.store import look_into
from labkit.web.visits import COOKIE
from labkit.workflow.intake.prescriptions import texts_of
from tests.support import workplaces

CLIENTS, SECONDS, PAUSE = 50, 60.0, (0.6, 1.4)
FORM = "application/x-www-form-urlencoded"
#: A program that does nothing but take and give as much.
BARE = """
import sys, uvicorn
from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse
app = FastAPI()
text = open(sys.argv[2]).read()
@app.post("/prescription-look")
async def look(request: Request):
    await request.form()
    return HTMLResponse(text)
uvicorn.run(app, host="127.0.0.1", port=int(sys.argv[1]), log_level="critical")
"""
#: No request, start or end may take longer, seconds.
PATIENCE = 60.0


@dataclass
class Seen:
    """What clients saw.

    Args:
        seconds: Of each request for lengths.
        wrong: Answers that were none.
        told: Entries of the record, as answered.
        processor_s: What the server used meanwhile.
    """

    seconds: list[float] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    told: list[int] = field(default_factory=list)
    processor_s: float = 0.0

    def percentile(self, share: float) -> float:
        """Give a percentile of the times, ms."""
        ordered = sorted(self.seconds)
        return 1000 * ordered[min(int(share * len(ordered)), len(ordered) - 1)]


class Client:
    """Speaks HTTP over one connection that stays open: cheap enough not to be what is measured."""

    def __init__(self, port: int, secret: str = "", token: str = "") -> None:
        self.port, self.secret, self.token = port, secret, token

    async def __aenter__(self) -> Client:
        self.reader, self.writer = await asyncio.open_connection("127.0.0.1", self.port)
        return self

    async def __aexit__(self, *_: object) -> None:
        self.writer.close()

    async def ask(
        self, asked: str, sent: bytes = b"", kind: str = "application/json", **headers: str
    ) -> tuple[int, bytes]:
        """Ask for something, such as "GET /cases", and give status and content."""
        lines = {
            "Host": f"127.0.0.1:{self.port}", "Content-Length": str(len(sent)),
            "Content-Type": kind, "Authorization": f"Bearer {self.secret}",
            "Cookie": f"{COOKIE}={self.secret}", "HX-Request": "true", **headers,
        }
        head = "".join(f"{name}: {value}\r\n" for name, value in lines.items())
        self.writer.write(f"{asked} HTTP/1.1\r\n{head}\r\n".encode() + sent)
        async with asyncio.timeout(PATIENCE):
            answer = (await self.reader.readuntil(b"\r\n\r\n")).decode().lower()
            length = int(answer.partition("content-length: ")[2].split("\r\n")[0])
            return int(answer.split()[1]), await self.reader.readexactly(length)

    async def look(self, form: dict[str, str]) -> tuple[int, bytes]:
        """Ask for the lengths of what stands in the form."""
        sent = urlencode({"token": self.token, **form}).encode()
        return await self.ask("POST /prescription-look", sent, FORM)

    async def tell(self, rod: str, state: str) -> tuple[int, bytes]:
        """Record what became of a rod."""
        sent = json.dumps({"rods": [rod], "state": state, "note": "load"}).encode()
        return await self.ask(f"POST /api/told/{workplaces.CASE}", sent)


def forms() -> list[dict[str, str]]:
    """Prescriptions as they stand in the form after each of many keys: no two alike."""
    found = []
    for name in ("plain", "hinged"):
        path = templates_dir() / "prescriptions" / f"demo-{name}.toml"
        told = {**texts_of(parse_toml(path.read_text("utf-8"), name)), "case": "QF-9001"}
        found += [{**told, "notes": f"key {count}"} for count in range(8000)]
    return random.Random(1).sample(found, len(found))


async def typing(client: Client, rod: str, left: list[dict[str, str]], until: float, seen: Seen
                 ) -> None:
    """Type like somebody who fills in a form, until the time is over."""
    pauses, states = random.Random(rod), itertools.cycle(("lost", "mistaken"))
    async with client:
        await asyncio.sleep(pauses.uniform(0, PAUSE[1]))
        while time.monotonic() < until:
            begun = time.perf_counter()
            status, content = await client.look(left.pop())
            seen.seconds.append(time.perf_counter() - begun)
            if status != 200 or b"Steps" not in content:
                seen.wrong.append(f"{status} {content[:200]!r}")
            if rod and pauses.random() < 0.05:
                status, content = await client.tell(rod, next(states))
                if status == 200:
                    seen.told += [each["entry"] for each in json.loads(content)["rods"]]
                else:
                    seen.wrong.append(f"{status} {content[:200]!r}")
            await asyncio.sleep(pauses.uniform(*PAUSE))


def loaded(
    process: subprocess.Popen[bytes], clients: list[Client], rods: list[str], seconds: float
) -> Seen:
    """Load a server, and see what it used."""
    before = processor_s(process)
    seen = asyncio.run(crowd(clients, rods, seconds))
    seen.processor_s = processor_s(process) - before
    return seen


async def crowd(clients: list[Client], rods: list[str], seconds: float) -> Seen:
    """Let clients at a server at once."""
    seen, until, left = Seen(), time.monotonic() + seconds, forms()
    every = itertools.zip_longest(clients, rods[: len(clients)], fillvalue="")
    await asyncio.gather(*(typing(client, rod, left, until, seen) for client, rod in every))
    return seen


@contextlib.contextmanager
def running(words: list[str], port: int) -> Iterator[tuple[subprocess.Popen[bytes], float]]:
    """Run a server until it is done with; give it and the seconds until it answered."""
    begun = time.perf_counter()
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL)
    try:
        while True:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
                break
            if process.poll() is not None or time.perf_counter() - begun > PATIENCE:
                raise RuntimeError(f"{words[:4]} does not answer")
            time.sleep(0.01)
        yield process, time.perf_counter() - begun
    finally:
        process.terminate()
        process.wait(PATIENCE)


def free_port() -> int:
    """Give a port of this machine that nobody uses."""
    with socket.socket() as tried:
        tried.bind(("127.0.0.1", 0))
        return int(tried.getsockname()[1])


def memory_mb(process: subprocess.Popen[bytes]) -> float:
    """Give what a process holds in memory, MB; 0 where the system does not say."""
    status = Path(f"/proc/{process.pid}/status")
    lines = status.read_text("ascii").splitlines() if status.exists() else []
    return sum(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))


def processor_s(process: subprocess.Popen[bytes]) -> float:
    """Give the processor time that a process has used, seconds; 0 where nobody says."""
    status = Path(f"/proc/{process.pid}/stat")
    if not status.exists():
        return 0.0
    user, system = status.read_text("ascii").rpartition(")")[2].split()[11:13]
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


async def signed_in(port: int, count: int) -> list[Client]:
    """Sign in so often."""
    clients = []
    async with Client(port) as client:
        for _ in range(count):
            _, told = await client.ask("POST /api/token", Authorization="Basic YW5uYTo=")
            secret = json.loads(told)["token"]
            _, page = await client.ask("GET /new-case", Cookie=f"{COOKIE}={secret}")
            token = re.search(rb'name="token" value="([^"]+)"', page)
            assert token is not None
            clients.append(Client(port, secret, token[1].decode()))
    return clients


@dataclass(frozen=True)
class Load:
    """What a run measured.

    Args:
        lost: Entries that were answered and are not on record.
    """

    start_s: float
    idle_mb: float
    loaded_mb: float
    own: Seen
    bare: Seen
    lost: tuple[int, ...]


def measure(folder: Path, clients: int = CLIENTS, seconds: float = SECONDS) -> Load:
    """Load the workplace, and then a bare FastAPI that gives an answer of the same size."""
    ledger, port = folder / "ledger.sqlite", free_port()
    rods = workplaces.fill(ledger, workplaces.PenOfNow)
    words = [sys.executable, "-m", "labkit", "serve", "--port", str(port), "--ledger", str(ledger),
             "--sets", str(folder / "sets")]
    with running(words, port) as (process, start_s):
        idle_mb = memory_mb(process)
        signed = asyncio.run(signed_in(port, clients))
        own = loaded(process, signed, rods, seconds)
        loaded_mb = memory_mb(process)
        sample = asyncio.run(_one(signed[0]))
    (folder / "sample.html").write_bytes(sample)
    port = free_port()
    bare_words = [sys.executable, "-c", BARE, str(port), str(folder / "sample.html")]
    with running(bare_words, port) as (process, _):
        bare = loaded(process, [Client(port) for _ in signed], [], seconds)
    with look_into(str(ledger)) as reader:
        known = {event.seq for event in reader.story(workplaces.CASE)}
    lost = tuple(entry for entry in own.told if entry not in known)
    return Load(start_s, idle_mb, loaded_mb, own, bare, lost)


async def _one(client: Client) -> bytes:
    async with client:
        return (await client.look(forms()[0]))[1]


def main() -> None:
    """Print what a run measures."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--clients", type=int, default=CLIENTS)
    asked.add_argument("--seconds", type=float, default=SECONDS)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        load = measure(Path(folder), given.clients, given.seconds)
    print(f"start until it answers    {load.start_s:8.2f} s")
    print(f"memory idle, after load   {load.idle_mb:8.0f} MB, {load.loaded_mb:.0f} MB")
    for name, seen in (("lengths, labkit serve", load.own), ("the same, bare FastAPI", load.bare)):
        print(*dict.fromkeys(seen.wrong), sep="\n", end="")
        print(
            f"{name:25} {len(seen.seconds):8d} requests, median "
            f"{1000 * statistics.median(seen.seconds):.1f} ms, p95 {seen.percentile(0.95):.1f} ms, "
            f"longest {1000 * max(seen.seconds):.0f} ms, {len(seen.wrong)} wrong; processor "
            f"{1000 * seen.processor_s / len(seen.seconds):.1f} ms a request"
        )
    print(f"entries recorded meanwhile{len(load.own.told):8d}, {len(load.lost)} lost")


if __name__ == "__main__":
    main()
