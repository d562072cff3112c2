"""What programs send: each a value whose form says its keys, ranges and words."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated

from labkit.core.form.keys import Key, quantity
from labkit.web.guard import MOST_BYTES
from labkit.workflow.rods.life import MISTAKEN, RECORDED

#: Characters of a remark or a reason.
_LINE = 500
#: Drops of the incisal point, and rods, in one request.
_MOST_DROPS, _MOST_RODS = 20, 200
_STATES = (*map(str, RECORDED), MISTAKEN)


def _remark(about: str) -> Key:
    return Key(about, f"one line of at most {_LINE} printable characters", most=_LINE,
               holds=str.isprintable)  # fmt: skip


@dataclass(frozen=True)
class AskedLengths:
    """A prescription to be worked out; nothing is recorded."""

    prescription: Annotated[str, Key(
        "the prescription: the text of its file (TOML)", least=1, most=MOST_BYTES,
    )]
    opening_mm: Annotated[tuple[Decimal, ...], quantity(
        "hinged model: drops of the incisal point at which the advancement is reported too", 0, 30,
        most=_MOST_DROPS, allowed=f"a list of at most {_MOST_DROPS} numbers in mm from 0 to 30",
    )] = ()


@dataclass(frozen=True)
class AskedRods:
    """What became of rods of one case: of all of them, or nothing is recorded."""

    rods: Annotated[tuple[str, ...], Key(
        "identifiers, as on the bag labels", f"a list of 1 to {_MOST_RODS} identifiers", least=1,
        most=_MOST_RODS,
    )]
    state: Annotated[str, Key("what became of them", choices=_STATES)]
    note: Annotated[str, _remark("a remark; wanted where a mistake is taken back")] = ""
    on: Annotated[datetime.date | None, Key("the day on which it happened; else today")] = None
    unreleased: Annotated[str, _remark(
        "why rods not released, or not to be worn, are delivered; of QA alone",
    )] = ""
    instead: Annotated[bool, Key("with fitted: what is fitted comes out for these")] = False
