"""The year's events, each by its command, told to the account as they happen."""

from __future__ import annotations

import csv
import datetime
import json
import random
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from click.testing import CliRunner

from labkit.cli import clock
from labkit.cli.main import cli
from labkit.exports.pictures import png
from tests.documents.pdfs import text_of
from tests.support.own_instruments import write_instruments
from tests.year.account import (
    IN_CIRCULATION,
    PROTRUDED,
    RETRUDED,
    SIDES,
    Account,
    Now,
    Rod,
    prescription,
)
from tests.year.agree import Said

#: What a bag says of the rod in it.
BAG = re.compile(r"([\d.]+[LR]?) mm Step (\d+), (left|right) .*?(\d{4} \d{3} \d{3} \d{4})")


@cache
def _text(pdf: bytes) -> str:
    """Text of a paper; the same paper is read once."""
    return text_of(pdf)


def _no_pictures(*_):
    return {}


class Lab:
    """A lab with one case: runs commands on a day of its own, and keeps the account beside."""

    def __init__(self, folder: Path, model: str, action: str, monkeypatch):
        self.folder, self.account = folder, Account(model, action)
        self.day = datetime.date(2031, 3, 14)
        monkeypatch.setattr(clock, "now", self._now)
        monkeypatch.setattr(png, "set_pngs", _no_pictures)
        self.instruments = write_instruments(folder / "instruments")
        self.case, self.sets = self.account.case, folder / "sets"
        self.certificates: dict[str, int] = {}
        #: What was said and is not so, a sentence each.
        self.faults: list[str] = []
        #: What the commands of an event printed, and the papers that came with a new set.
        self.heard: list[Said] = []
        #: Papers are made again only after a new set or another range: the rest takes minutes.
        self.sparing, self.read_at = False, 0

    def _now(self):
        return datetime.datetime.combine(self.day, datetime.time(9), datetime.UTC)

    def later(self, days: int) -> None:
        """Let days go by."""
        self.day += datetime.timedelta(days)

    def run(self, *arguments, status: int = 0, by: str | None = "anna"):
        """Run a command; it must end with this status."""
        env = {
            "COLUMNS": "250", "LABKIT_LEDGER": str(self.folder / "ledger.sqlite"),
            "LABKIT_BY": by, "LABKIT_PROCESS": None, "LABKIT_PROFILE": None,
            "LABKIT_INSTRUMENTS": str(self.instruments),
        }
        result = CliRunner().invoke(cli, [*map(str, arguments)], env=env)
        assert result.exit_code == status, (arguments, result.exit_code, result.output)
        return result

    def hear(self, *arguments) -> None:
        """Run a command that makes something; what it says is read when the account knows it."""
        self.heard.append(Said(f"{self.day} {arguments[0]}", self.run(*arguments).stdout))

    def told(self, *arguments):
        """Run a command that prints one JSON object."""
        return json.loads(self.run(*arguments, "--json").stdout)

    def asked(self, *arguments) -> str:
        """Ask what a rule of the trade may speak against; the answer comes all the same."""
        env = {"COLUMNS": "250", "LABKIT_LEDGER": str(self.folder / "ledger.sqlite")}
        result = CliRunner().invoke(cli, [*map(str, arguments)], env=env)
        assert result.exit_code in (0, 1), (arguments, result.output)
        return result.stdout

    # Events.

    def make(self, percents, start: float, name: str) -> None:
        """Prescribe and make a set."""
        account = self.account
        file = self.folder / f"{name}.toml"
        text = prescription(account.model, account.action, percents, start)
        file.write_text(text, encoding="utf-8")
        self.hear("make", file, "--out", self.sets)
        account.sets[name] = (tuple(percents), account.range_mm)
        self._take_in(name)

    def _take_in(self, name: str, replaces: str = "") -> list[Rod]:
        """Take the rods of a set that was made into the account, by what its bags say."""
        bags = _text((self.sets / name / "documents" / "bag-labels.pdf").read_bytes())
        taken = []
        for label, step, side, identifier in BAG.findall(" ".join(bags.split())):
            rod = Rod(identifier.replace(" ", ""), name, int(step), side, label, replaces=replaces)
            assert rod.identifier not in self.account.rods
            self.account.rods[rod.identifier] = rod
            taken.append(rod)
        assert taken, bags
        self.account.printed(name)
        self.heard += self._papers_in(self.sets / name, name)
        return taken

    def rod(self, set_name: str, step: int, side: str) -> Rod:
        """Give the rod that fills a place now."""
        return self.account.places()[set_name, step][side]

    def inspect_and_release(self, name: str) -> None:
        """Fill in the inspection form, decide, and release with a certificate."""
        form = self.sets / name / "documents" / "inspection-form.csv"
        with form.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        for row in rows:
            nominal = float(row["nominal_mm"])
            label = self.account.rods[row["identifier"].replace("-", "")].label
            dice = random.Random(row["identifier"])
            read = {
                f"reading_{n}_mm": f"{nominal + dice.gauss(0.004, 0.004):.3f}" for n in (1, 2, 3)
            }
            row |= {
                **read, "label_read": label, "fittings": "yes", "look": "ok",
                "instrument": "micrometer-7", "gauge_pins": "pins-2", "temperature_c": "20.1",
                "material_lot": "B-17",
                "measured_on": self.day.isoformat(), "measured_by": "quinn",
                "checked_on": self.day.isoformat(), "checked_by": "kim",
            }
        filled = self.folder / f"{name}.csv"
        with filled.open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
        self.run("inspect", self.case, filled, "--set", name, by="quinn")
        self.release(name)

    def release(self, name: str) -> None:
        """Release a set, with those that replace its rods."""
        told = self.told("release", self.case, "--set", name)
        self.certificates[name] = told["event"]
        for rod in self.account.in_circulation():
            if self.account.place(rod)[0] == name and rod.state == "made":
                rod.state = "released"

    def trial(self, maximum: float) -> tuple[Now, Said]:
        """Try the 100 % rods of the first set where the jaw goes no further.

        Returns:
            What would hold were it accepted, and the answer.
        """
        self.tried = self._seen(maximum)
        answer = self.run("trial", self.case, *self.tried).stdout
        return self.account.if_accepted(self._tried_mm()), Said(f"{self.day} trial", answer)

    def _tried_mm(self) -> float:
        return self.account.makes(self.seen["left"], self.seen["right"])

    def _seen(self, maximum: float) -> list[str]:
        """What one sees of the free ends, read to 0.05 mm."""
        seats = self.account.length_at(maximum)
        words, self.seen = [], {}
        for side in SIDES:
            rod = self.rod(f"{self.case}-r1", 4, side)
            gap = round(20 * (rod.length - seats[side])) / 20
            self.seen[side] = rod.length - gap
            how = f"too {'long' if gap > 0 else 'short'} by {abs(gap):g}" if gap else "meets"
            words += [f"--{side}", f"{rod.label} {how}"]
        return words

    def accept(self) -> None:
        """The prescriber accepts what was tried last."""
        answer = self.told("trial", self.case, *self.tried, "--accept")
        assert answer["accepted"] is True
        self.account.ranges.append(self._tried_mm())
        story = self.run("show", self.case).stdout
        self.accepted = int(re.findall(r"(?m)^ *(\d+) .*: trial fit ", story)[-1])

    def withdraw(self) -> None:
        """The trial fit accepted last does not count any more: what was prescribed holds again."""
        reason = ("--reason", "the rods were exchanged")
        self.run("trial", self.case, "--withdraw", self.accepted, *reason)
        self.account.ranges.append(PROTRUDED - RETRUDED)

    def became(self, state: str, *rods: Rod) -> None:
        """Record what became of rods."""
        self.run("rod", *(rod.identifier for rod in rods), state)
        for rod in rods:
            rod.state = state

    def deliver(self, name: str) -> None:
        """A whole set goes to the clinic."""
        self.run("rod", name, "delivered")
        for rod in self.account.rods.values():
            if rod.set_name == name:
                rod.state = "delivered"

    def replace(self, rod: Rod) -> Rod:
        """Make a rod once more."""
        before = set(self._folders())
        self.hear("replace", rod.identifier, "--reason", "on a journey", "--out", self.sets)
        (name,) = set(self._folders()) - before
        rod.state = "rejected" if rod.state in IN_CIRCULATION else rod.state
        (new,) = self._take_in(name, rod.identifier)
        return new

    def extra(self, percent: float) -> str:
        """Order a step in between, and make it; give the name of its set."""
        before = set(self._folders())
        self.hear("extra", self.case, "--percent", percent, "--out", self.sets)
        (name,) = set(self._folders()) - before
        self.account.sets[name] = ((percent,), self.account.range_mm)
        self._take_in(name)
        return name

    def next_set(self, percents, start: float) -> str:
        """Make a set of other steps, from the prescription that holds now."""
        before = set(self._folders())
        text = self.run("show", self.case, "--prescription").stdout
        text = re.sub(r"(?m)^percent = .*$", f"percent = {list(percents)}", text)
        file = self.folder / "next.toml"
        file.write_text(re.sub(r"(?m)^start = .*$", f"start = {start}", text), encoding="utf-8")
        self.hear("make", file, "--out", self.sets)
        (name,) = set(self._folders()) - before
        self.account.sets[name] = (tuple(percents), self.account.range_mm)
        self._take_in(name)
        return name

    def _folders(self) -> list[str]:
        return [path.name for path in self.sets.iterdir() if path.is_dir()]

    # What the house says.

    def papers(self) -> Iterator[Said]:
        """Make the papers of every set again, into a new folder, and read them."""
        for name in sorted(self._folders()):
            out = self.folder / "papers" / f"{self.day}-{name}"
            self.run("papers", self.sets / name, "--out", out)
            self.account.printed(name)
            yield from self._papers_in(out, name, " again")

    def _papers_in(self, folder: Path, name: str, again: str = "") -> Iterator[Said]:
        for path in sorted((folder / "documents").glob("*.pdf")):
            yield Said(f"{self.day} {name}{again} {path.name}", _text(path.read_bytes()), name)
        for path in sorted((folder / "documents").glob("*.svg")):
            words = re.findall(r">([^<>]+)</text>", path.read_text("utf-8"))
            yield Said(f"{self.day} {name}{again} {path.name}", "\n".join(words), name)

    def certificates_now(self) -> Iterator[Said]:
        """Print the certificate of each release again."""
        out = self.folder / "certificates"
        out.mkdir(exist_ok=True)
        for name, event in self.certificates.items():
            place = out / f"{self.day}-{name}"
            place.mkdir(exist_ok=True)
            asked = ("--set", name, "--entry", event, "--out", place)
            self.run("certificate", self.case, *asked)
            (pdf,) = place.glob("*.pdf")
            yield Said(f"{self.day} {pdf.name}", _text(pdf.read_bytes()))

    def some_rods(self) -> list[Rod]:
        """Give a rod of each set, state and word: to look up each takes long."""
        by_rod = self.account.now().by_rod
        kinds = {
            (rod.set_name, rod.state, pair and pair.word): rod
            for rod in self.account.rods.values() for pair in (by_rod.get(rod.identifier),)
        }
        return list(kinds.values())

    def screens(self) -> Iterator[Said]:
        """Look the case up in every way."""
        yield Said(f"{self.day} show", self.run("show", self.case).stdout)
        yield Said(f"{self.day} cases", self.run("cases").stdout)
        yield Said(f"{self.day} sheet", self.run("sheet", self.case).stdout)
        pdf = self.folder / f"sheet-{len(list(self.folder.glob('sheet-*')))}.pdf"
        self.run("sheet", self.case, "--out", pdf, by=None)
        yield Said(f"{self.day} sheet as PDF", _text(pdf.read_bytes()))
        yield Said(f"{self.day} recall", "\n".join(self.recalled()))
        furthest = self.account.pairs()[-1].labels
        together = self.asked("rod", *furthest, "--case", self.case)
        yield Said(f"{self.day} rod {furthest}", together)
        dry = self.run("extra", self.case, "--percent", 35, "--dry-run").stdout
        yield Said(f"{self.day} extra --dry-run", dry)
        for rod in self.some_rods():
            yield Said(f"{self.day} find {rod.grouped}", self.run("find", rod.identifier).stdout)

    def recalled(self) -> Iterator[str]:
        """Give what is recalled, a line each; which rods stand on it is asked elsewhere."""
        for one in self.told("recall")["recalled"]:
            yield f"{one['what']}; {one['tell']}"

    def read_all(self) -> Iterator[Said]:
        """Everything that the house says of the case today."""
        changed = bool(self.heard) or self.read_at != len(self.account.ranges)
        self.read_at = len(self.account.ranges)
        yield from self.heard
        self.heard.clear()
        yield from self.screens()
        if changed or not self.sparing:
            yield from self.papers()
        yield from self.certificates_now()
