"""What written files measure, kept for the session: the same bytes measure the same.

Tests of the record make the same few rods in many folders. The files are written each time; what
they measure is remembered by their digest, so that a file with another byte is measured anew.
"""

from __future__ import annotations

import functools
import hashlib
import sys
from pathlib import Path

#: Module → the function of it that measures; loaded modules alone, since they load the kernel.
_MEASURING = {
    "labkit.exports.check.part": "check_part", "labkit.exports.check.plate": "check_plate",
}
_kept: dict[object, object] = {}


def remember(monkeypatch):
    """Let files be measured once, for the time of a test."""
    for name, function in _MEASURING.items():
        if name in sys.modules:
            measuring = getattr(sys.modules[name], function)
            monkeypatch.setattr(sys.modules[name], function, _once(measuring))


def _once(measuring):
    @functools.wraps(measuring)
    def measured(*asked):
        key = (measuring.__name__, *map(_told, asked))
        if key not in _kept:
            _kept[key] = measuring(*asked)
        return _kept[key]

    return measured


def _told(asked):
    """Tell an argument from others: a file by its name and bytes, the rest by what it holds."""
    if isinstance(asked, Path):
        return asked.name, hashlib.sha256(asked.read_bytes()).digest()
    return repr(asked)
