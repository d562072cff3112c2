"""How rods may lie while they are built, and where supports may stand: words, keys, undersides."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated

from labkit.core.form.keys import Key, quantity
from labkit.core.jsonable import LEFT_OUT_AT_DEFAULT
from labkit.core.numbers import Finite


class Way(StrEnum):
    """A way of lying on the bed."""

    FLAT = "flat"
    ON_EDGE = "on edge"
    UPRIGHT = "upright"

    @property
    def words(self) -> str:
        """It in words that follow "all pieces"."""
        return {
            Way.FLAT: "lie flat with the label face up",
            Way.ON_EDGE: "lie on the lower long side, the label face towards the front of the bed",
            Way.UPRIGHT: "stand upright, the lower fitting down, the label face towards the front "
                         "of the bed",
        }[self]


class Place(StrEnum):
    """A place of a rod that can face the bed."""

    FACE = "face"
    RIM = "rim"
    SHAFT = "shaft"
    NECK = "neck"
    BALL = "ball"
    BORE = "bore"
    PIN = "pin"
    LABEL = "label"

    @property
    def words(self) -> str:
        """It in words."""
        return {
            Place.FACE: "the outward face",
            Place.RIM: "the outer rim",
            Place.SHAFT: "the shaft",
            Place.NECK: "the necks",
            Place.BALL: "the balls",
            Place.BORE: "the bores",
            Place.PIN: "the crosspin",
            Place.LABEL: "the label",
        }[self]


#: Where a template may let supports stand: what they mark there moves in no seat and bears no text.
SUPPORTABLE = (Place.RIM, Place.SHAFT, Place.NECK)
_PLACE_WORDS = (
    'a list of "rim", "shaft" and "neck", empty for nowhere; supports never stand on bores, pins, '
    "balls or the label"
)
_WAY_WORDS = 'a list of "flat", "on edge" and "upright", at least one'


class Carrying(StrEnum):
    """What a process does about undersides that do not carry themselves."""

    CARRIED = "carried"
    WHERE_NEEDED = "where needed"
    NONE = "none"


@dataclass(frozen=True)
class BuildLimits(Finite):
    """What a template allows when its rods are built."""

    lies: Annotated[tuple[Way, ...], Key(
        "ways in which its rods may lie when they are built", _WAY_WORDS, least=1
    )]
    supports: Annotated[tuple[Place, ...], Key(
        "places at which supports may stand: rim (flat bars: outer rim of bar and bosses), shaft "
        "(round bars, domes too), neck (of balls)", _PLACE_WORDS, choices=SUPPORTABLE,
    )]


@dataclass(frozen=True)
class BuildRules(Finite):
    """What a process chooses and can do when rods are built."""

    lies: Annotated[tuple[Way, ...], Key(
        "ways in which it builds rods, the best first: of those that the template allows the first "
        "one that needs no support at a forbidden place", _WAY_WORDS, least=1,
    )] = (Way.FLAT, Way.ON_EDGE, Way.UPRIGHT)
    supports: Annotated[Carrying, Key(
        "carried: powder carries every underside; where needed: supports are built; none: it "
        "builds no supports"
    )] = Carrying.WHERE_NEEDED
    overhang_angle_deg: Annotated[float, quantity(
        "an underside that rises at least this steeply from the horizontal carries itself",
        5, 85, "degrees",
    )] = 45.0
    overhang_mm: Annotated[float, quantity(
        "how far flatter undersides may reach out from what carries them without support", 0, 20
    )] = 1.5
    lift_mm: Annotated[float, quantity(
        "height over the bed of rods on supports that may stand under their lowest points", 0, 20
    )] = 0.0
    spares: Annotated[int, quantity(
        "spare pieces of each rod in a build job (`labkit plate`)", 0, 5, ""
    )] = field(default=0, metadata=LEFT_OUT_AT_DEFAULT)


class Lowest(StrEnum):
    """What the lowest part of an underside is."""

    FACE = "a face"
    LINE = "a line"
    POINT = "a point"


@dataclass(frozen=True)
class Underside(Finite):
    """Something that faces the bed while a rod is built.

    Args:
        height_mm: Its lowest point above the rod's middle, below 0 under it.
        lowest: What touches the bed where it is the lowest of all.
        reach_mm: How far it reaches out, level, from its lowest part or from what carries it, up
            to where it is steep enough to carry itself.
        carried: Whether it grows out of the rod; else it begins by itself, on the bed or in the
            air.
    """

    place: Place
    height_mm: float
    lowest: Lowest
    reach_mm: float
    carried: bool = False
