"""Many invented cases, and what must hold however often what makes their sets was killed."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from labkit.exports.write.set_folder import wrong_files
from labkit.ledger.store import look_into
from labkit.ledger.stored import SetState
from labkit.ledger.verify import verify
from tests.support.prescriptions import SMALLEST, changed

ROOT = Path(__file__).parents[2]
SIX_STEPS = changed(
    SMALLEST, ("[50, 62.5, 75, 87.5, 100]\nstart = 62.5", "[50, 60, 70, 80, 90, 100]\nstart = 60")
)
#: One command may take so long; a run that hangs is a failure.
MOST_SECONDS = 3600


def case_of(number):
    return f"QF-{20000 + number}"


def prescribe(folder, count, text=SIX_STEPS):
    """Write prescriptions whose rods differ from one to the next."""
    folder.mkdir(parents=True)
    for number in range(count):
        own = changed(
            text, ("QF-1043", case_of(number)), ("33.6", f"{33.6 + number % 40 / 10:.1f}")
        )
        (folder / f"{number:06}.toml").write_text(own, encoding="utf-8")


def line(*words, module="labkit"):
    return [sys.executable, "-m", module, *map(str, words)]


def start(*words, module="labkit"):
    return subprocess.Popen(
        line(*words, module=module), cwd=ROOT,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )


def run(*words, module="labkit"):
    return subprocess.run(
        line(*words, module=module), cwd=ROOT, text=True, capture_output=True, check=False,
        timeout=MOST_SECONDS,
    )


def whole_once(url, out, count):
    """Hold record and folder to it: every case has one set that is made, whole, and lies there."""
    with look_into(str(url)) as ledger:
        assert verify(ledger).problems == ()
        made = {
            stored.name: stored
            for each in ledger.cases()
            for stored in ledger.sets(each.case)
            if stored.state is SetState.MADE
        }
        rods = [rod.identifier for each in ledger.cases() for rod in ledger.rods(each.case)]
    assert len(rods) == len(set(rods))
    cases = [stored.case for stored in made.values()]
    assert sorted(cases) == sorted(map(case_of, range(count)))
    lying = [path.name for path in out.iterdir() if not path.name.startswith(".")]
    assert sorted(lying) == sorted(made)
    for name, stored in made.items():
        assert wrong_files(out / name) == (), name
        assert Path(stored.folder) == (out / name).resolve()


def killed_batches(folder, count, kills, module="labkit"):
    """Kill a batch as often, at random moments, and run it to its end."""
    chance = random.Random("kills of a batch")
    words = (
        "batch", folder / "rx", "--out", folder / "sets", "--by", "anna", "--workers", 2,
        "--ledger", folder / "lab.sqlite",
    )
    pace = count / kills
    for _ in range(kills):
        running = start(*words, module=module)
        time.sleep(chance.uniform(2, 4 + 4 * pace))
        running.kill()
        running.wait(timeout=60)
    ended = run(*words, module=module)
    assert ended.returncode == 0, ended.stderr
    whole_once(folder / "lab.sqlite", folder / "sets", count)


def killed_workers(server, folder, count, kills, module="labkit"):
    """Leave a batch to two workers; kill one of them or the server, at random moments."""
    chance = random.Random("kills of workers")
    words = (
        "batch", folder / "rx", "--out", folder / "sets", "--by", "anna", "--queue",
        "--ledger", server.url,
    )
    put = run(*words, module=module)
    assert put.returncode == 0, put.stderr
    worker = ("worker", "--workers", 1, "--ledger", server.url)
    workers = [start(*worker, module=module) for _ in range(2)]
    pace = count / kills
    try:
        for number in range(kills):
            time.sleep(chance.uniform(2, 4 + 4 * pace))
            if number % 4 == 3:
                server.stop()
                time.sleep(chance.uniform(0, 5))
                server.start()
                continue
            lost = workers.pop(chance.randrange(2))
            lost.kill()
            lost.wait(timeout=60)
            workers.append(start(*worker, module=module))
        ended = start(*words, "--wait", module=module)
        begun = time.monotonic()
        while ended.poll() is None:
            assert time.monotonic() - begun < MOST_SECONDS
            time.sleep(1)
            # One that was started while the server was away has ended: whoever starts it does
            # so again.
            workers = [
                each if each.poll() is None else start(*worker, module=module) for each in workers
            ]
        assert ended.returncode == 0
        for each in workers:
            each.send_signal(signal.SIGTERM)
            # One that was started last may not have come as far as its own way to stop.
            assert each.wait(timeout=120) in (0, -signal.SIGTERM)
    finally:
        for each in workers:
            each.kill()
    whole_once(server.url, folder / "sets", count)
