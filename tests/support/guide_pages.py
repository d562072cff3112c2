"""Runs the commands that stand on the pages of the guide, and compares what they print.

A page is run from top to bottom in a folder of its own:

- a block `console` holds commands (`$ labkit …`) and what each prints; a line `...` stands for
  any number of lines, and `…` within a line for any text;
- a block after `<!-- file NAME -->` is written to that file, one after `<!-- more NAME -->` added;
- `<!-- after PAGE -->` begins where another page ended, `<!-- files PAGE -->` takes its files over;
- `<!-- server postgresql -->` keeps the record on a server from there on (where there is none, the
  page ends);
- `<!-- on DAY -->` sets the day, `<!-- on DAYT09:01 -->` the minute, too: a ledger's identity, and
  with it the identifiers, follow from when it is begun.

Usage, to write anew what the commands print now: python -m tests.support.guide_pages TOPIC...
"""

from __future__ import annotations

import datetime
import re
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner

from labkit.catalog import guide
from labkit.catalog.instruments import GaugePins, Instrument
from labkit.catalog.processes import Process
from labkit.catalog.profiles import ProfileFile
from labkit.catalog.rods import Family
from labkit.cli import clock
from labkit.cli.main import cli
from labkit.core.form.table import keys_table
from labkit.core.grading.prescription import Prescription
from tests.support import postgres

ROOT = Path(__file__).parents[2]
#: Where the reader of a page works, as printed on it.
LAB, DATA = "~/lab", "~/.local/share"
FIRST_DAY = datetime.date(2031, 3, 14)
#: Name in `<!-- keys NAME -->` → the value whose table of keys stands there.
KEYS = {
    "prescription": Prescription, "profile": ProfileFile, "family": Family, "process": Process,
    "instrument": Instrument, "gauge-pins": GaugePins,
}
_IDENTIFIER = re.compile(r"\b\d{4} \d{3} \d{3} \d{4}\b")
#: A page replaces a rod and goes on with the new one: each round gets one further.
_MOST_ROUNDS = 4
_SERVER = "<!-- server postgresql -->"
_ADDRESS = re.compile(r"postgresql\+psycopg://lab@127\.0\.0\.1:\d+/postgres")
_KEYS = re.compile(r"(?ms)^<!-- keys (\S+) -->\n.*?^<!-- /keys -->$")
_PIECE = re.compile(
    r"^<!-- (?P<act>files?|more|after|on|example|server) (?P<what>\S+) -->$"
    r"|^```(?P<kind>\w*)\n(?P<text>.*?)^```$",
    re.MULTILINE | re.DOTALL,
)


@dataclass(frozen=True)
class Ran:
    """A command of a page: what the page says that it prints, and what it did."""

    line: str
    printed: str
    did: str


def page(topic: str) -> str:
    """Give a page of the guide, or the README."""
    return (ROOT / "README.md").read_text("utf-8") if topic == "README" else guide.page(topic)


def with_keys(text: str) -> str:
    """Give a page with the tables of keys made from the code."""
    return _KEYS.sub(
        lambda m: f"<!-- keys {m[1]} -->\n{keys_table(KEYS[m[1]])}\n<!-- /keys -->", text
    )


def commands_of(block: str) -> Iterator[tuple[str, str]]:
    """Part a console block into its commands, each with what the page says that it prints."""
    for piece in re.split(r"(?m)^\$ ", block)[1:]:
        lines = piece.splitlines()
        count = 1
        while lines[count - 1].endswith("\\"):
            count += 1
        yield "\n".join(lines[:count]), "\n".join(lines[count:])


def agrees(printed: str, did: str) -> bool:
    """Tell whether a command printed what its page says."""
    pattern = "".join(
        r"(.*\n)*?" if line.strip() == "..." else
        ".*?".join(map(re.escape, line.rstrip().split("…"))) + r" *\n"
        for line in printed.rstrip().splitlines()
    )
    return re.fullmatch(pattern, _tidy(did)) is not None


def _tidy(text: str) -> str:
    tidy = "\n".join(line.rstrip() for line in text.splitlines()).strip("\n")
    return f"{tidy}\n" if tidy else ""


def _morning(day: datetime.date) -> datetime.datetime:
    return datetime.datetime.combine(day, datetime.time(9), datetime.UTC)


def _moment(text: str) -> datetime.datetime:
    if "T" not in text:
        return _morning(datetime.date.fromisoformat(text))
    return datetime.datetime.fromisoformat(text).replace(tzinfo=datetime.UTC)


def _write(lab: Path, into: tuple[str, str], text: str) -> None:
    how, named = "a" if into[0] == "more" else "w", lab / into[1]
    named.parent.mkdir(parents=True, exist_ok=True)
    with named.open(how, encoding="utf-8") as out:
        out.write(text)


def _write_files(text: str, lab: Path) -> None:
    for name, block in re.findall(r"(?ms)^<!-- file (\S+) -->\n```\w*\n(.*?)^```$", text):
        _write(lab, ("file", name), block)


def with_server(text: str, patched: pytest.MonkeyPatch, stack: ExitStack) -> str:
    """Start the server that a page wants; give as much of the page as can be followed."""
    for name in ("LABKIT_LEDGER", "LABKIT_BY", "LABKIT_PROFILE", "LABKIT_PROCESS"):
        patched.delenv(name, raising=False)
    before, wanted, _ = text.partition(_SERVER)
    if wanted and postgres.why_not():
        return before
    if wanted:
        url = stack.enter_context(postgres.running_server())
        patched.setenv("LABKIT_LEDGER", url)
    return text


class Reader:
    """Follows pages, each in a folder of its own."""

    def __init__(self, place: Path) -> None:
        self._place = place
        self._read: dict[str, list[Ran]] = {}

    def follow(self, topic: str) -> list[Ran]:
        """Do all that a page says; give its commands with what they printed."""
        if topic not in self._read:
            home = self._place / topic
            (home / "lab").mkdir(parents=True)
            with pytest.MonkeyPatch.context() as patched, ExitStack() as stack:
                text = with_server(page(topic), patched, stack)
                self._read[topic] = list(self._steps(text, home, patched))
        return self._read[topic]

    def _steps(self, text: str, home: Path, patched: pytest.MonkeyPatch) -> Iterator[Ran]:
        lab = home / "lab"
        moment, into = _morning(FIRST_DAY), ("", "")
        for piece in _PIECE.finditer(text):
            act, what = piece["act"], piece["what"]
            if act in ("after", "files", "example"):
                self._take_over(act, what, home)
            elif act == "on":
                moment = _moment(what)
            elif act == "server":
                continue
            elif act:
                into = (act, what)
            elif into[0]:
                _write(lab, into, piece["text"])
                into = ("", "")
            elif piece["kind"] == "console":
                patched.chdir(lab)
                patched.setenv("XDG_DATA_HOME", str(home / "data"))
                for line, printed in commands_of(piece["text"]):
                    moment += datetime.timedelta(minutes=1)
                    now = moment
                    patched.setattr(clock, "now", lambda now=now: now)
                    yield Ran(line, printed, self._did(line, home))

    def _take_over(self, act: str, what: str, home: Path) -> None:
        """Put into a page's folder what lies elsewhere."""
        if act == "after":
            self.follow(what)
            shutil.copytree(self._place / what, home, dirs_exist_ok=True)
        elif act == "files":
            _write_files(page(what), home / "lab")
        else:
            shutil.copy(ROOT / "output_examples" / what, home / "lab")

    @staticmethod
    def _did(line: str, home: Path) -> str:
        words = shlex.split(line.replace("\\\n", " "), comments=True)
        into = None
        if ">" in words:
            words, into = words[: words.index(">")], words[-1]
        assert words[0] == "labkit", line
        result = CliRunner().invoke(cli, words[1:], env={"COLUMNS": "80"})
        if into is not None:
            Path(into).write_text(result.stdout, encoding="utf-8")
            return result.stderr
        # A page that goes on where another ended also names that one's folders.
        of_any_page = rf"{re.escape(str(home.parent))}/[\w-]+/"
        said = _ADDRESS.sub("postgresql://lab@server/lab", result.output)
        return re.sub(f"{of_any_page}data", DATA, re.sub(f"{of_any_page}lab", LAB, said))


def written_anew(topic: str) -> str:
    """Give a page with what its commands print now, where that is not what it says."""
    text, at = page(topic), 0
    with tempfile.TemporaryDirectory() as folder:
        for ran in Reader(Path(folder)).follow(topic):
            old = f"$ {ran.line}\n{ran.printed}".rstrip("\n")
            at = text.index(old, at)
            new = f"$ {ran.line}\n{_tidy(ran.did)}".rstrip("\n")
            if not agrees(ran.printed, ran.did):
                text = f"{text[:at]}{new}{text[at + len(old):]}"
                at += len(new)
            else:
                at += len(old)
    return text


def _places() -> list[Path]:
    return [ROOT / "README.md", *sorted((ROOT / "labkit" / "guide").glob("*.md"))]


def _digits(text: str) -> list[str]:
    return ["".join(found.split()) for found in _IDENTIFIER.findall(text)]


def renamed(topics: list[str]) -> bool:
    """Put the identifiers that rods have now in place of earlier ones, on every page.

    A version of the program gives rods other identifiers; what follows on a page names them.

    Returns:
        Whether there were any.
    """
    now: dict[str, str] = {}
    with tempfile.TemporaryDirectory() as folder:
        reader = Reader(Path(folder))
        for ran in (ran for topic in topics for ran in reader.follow(topic)):
            before, after = _digits(ran.printed), _digits(ran.did)
            if len(before) == len(after):
                now |= {old: new for old, new in zip(before, after, strict=True) if old != new}
    for place in _places() if now else ():
        text = place.read_text("utf-8")
        for old, new in now.items():
            for apart in ("", " ", "-"):
                text = text.replace(_grouped(old, apart), _grouped(new, apart))
        place.write_text(text, encoding="utf-8")
    return bool(now)


def _grouped(digits: str, apart: str) -> str:
    return apart.join((digits[:4], digits[4:7], digits[7:10], digits[10:]))


if __name__ == "__main__":
    for _ in range(_MOST_ROUNDS):
        if not renamed(sys.argv[1:]):
            break
    for each in sys.argv[1:]:
        place = ROOT / ("README.md" if each == "README" else f"labkit/guide/{each}.md")
        place.write_text(with_keys(written_anew(each)), encoding="utf-8")
