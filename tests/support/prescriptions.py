"""Prescriptions for the tests, as text to be changed line by line."""

from __future__ import annotations

from labkit.catalog.toml_source import TomlSource, parse_toml

SMALLEST = """\
schema = 1
case = "QF-1043"
date = 2031-03-14

[bite]
zero = "retruded"
retruded = -5.2
protruded = 6.4
registered = 2.9

[appliance]
action = "pull"
template = "eye-eye-flat"
pin_distance = 33.6

[grading]
percent = [50, 62.5, 75, 87.5, 100]
start = 62.5
"""

ANCHORED = """\
schema = 1
case = "QF-1044"
date = 2031-03-14

[bite]
zero = "retruded"
retruded = -4.0
habitual = -1.0
protruded = 6.0
registered = 2.0
midline_deviation = 1.0

[appliance]
action = "pull"
template = "crosspin-eye-flat"
[appliance.left]
upper = [-8, 27, 4]
lower = [-33, 29, -7]
[appliance.right]
upper = [-8, -27, 4]
lower = [-33, -29, -7]

[jaw]
model = "MODEL"

[grading]
percent = [60, 75, 90]
start = 75
"""


def sliding() -> str:
    """Give a prescription with the sliding jaw model."""
    return ANCHORED.replace('"MODEL"', '"sliding"\npath_inclination = 8')


def hinged() -> str:
    """Give a prescription with the hinged jaw model and average geometry."""
    return ANCHORED.replace("MODEL", "hinged")


def changed(text: str, *changes: tuple[str, str]) -> str:
    """Replace pieces of a prescription; every piece must be there."""
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return text


def source(text: str, name: str = "rx.toml") -> TomlSource:
    """Parse a prescription."""
    return parse_toml(text, name)
