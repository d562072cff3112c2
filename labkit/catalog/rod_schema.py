"""The keys of a rod template file."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from labkit.catalog.keys import Number, Table, Text, Version, key, quantity
from labkit.core.form.keys import NAME, NAME_WORDS

#: ISO 286-1 classes that the built-in tables know.
FIT = r"^(H|h|JS|js|d|e|f|g)(5|6|7|8|9|10|11|12|13|14)$"


def _fit() -> Text:
    return key(  # type: ignore[no-any-return]
        "ISO 286-1 class",
        "H, h, JS, js, d, e, f or g with a grade from 5 to 14, such as H8 or f7",
        pattern=FIT,
    )


class EyeKeys(Table):
    """Disc boss with a through bore."""

    kind: Literal["eye"]
    bore_diameter: Number = quantity("bore", 0.8, 10)
    boss_diameter: Number = quantity("disc", 1.6, 20)
    fit: Text = _fit()


class BallKeys(Table):
    """Sphere on a neck."""

    kind: Literal["ball"]
    ball_diameter: Number = quantity("sphere", 1, 12)
    neck_diameter: Number = quantity("neck", 0.8, 12)
    neck_length: Number = quantity("sphere's centre to the apex of the dome", 0.5, 20)
    fit: Text = _fit()


class CrosspinKeys(Table):
    """Transverse cylinder with a retaining lip on a disc boss."""

    kind: Literal["crosspin"]
    pin_diameter: Number = quantity("cylinder", 0.8, 10)
    pin_length: Number = quantity("face of the boss to the lip", 0.5, 15)
    lip_diameter: Number = quantity("lip", 1, 15)
    lip_thickness: Number = quantity("lip", 0.3, 5)
    boss_diameter: Number = quantity("disc", 1.6, 20)
    fit: Text = _fit()


class FlatKeys(Table):
    """Flat bar."""

    kind: Literal["flat"]
    height: Number = quantity("bar between the fittings", 2, 15)
    thickness: Number = quantity("bar and bosses", 1, 10)
    edge_radius: Number = quantity("rounding of the outer edges", 0.1, 3)
    blend_radius: Number = quantity("arc between boss and bar", 0.2, 20)


class RoundKeys(Table):
    """Round bar with domed ends and a flat."""

    kind: Literal["round"]
    diameter: Number = quantity("bar", 2, 15)
    flat_depth: Number = quantity("flat below the bar's surface", 0.1, 5)


class LabelKeys(Table):
    """Label place."""

    height: Number = quantity("height of the digits, ISO 3098 series", 1.8, 10)
    depth: Number = quantity("depth of the engraving", 0.1, 1)
    margin: Number = quantity("least distance from the border of the label place", 0, 5)
    side_mark: bool = key("whether L or R follows the length", "true or false", strict=True)


class LimitKeys(Table):
    """Limits of the functional length."""

    shortest: Number = quantity("shortest rod", 5, 120)
    longest: Number = quantity("longest rod", 5, 120)
    length_tolerance: Literal["f", "m", "c", "v"] = key(
        "ISO 2768-1 class of the functional length", '"f", "m", "c" or "v"'
    )


FittingKeys = Annotated[EyeKeys | BallKeys | CrosspinKeys, Field(discriminator="kind")]
BodyKeys = Annotated[FlatKeys | RoundKeys, Field(discriminator="kind")]


class RowKeys(Table):
    """One template: one row of the family."""

    name: Text = key("name used in a prescription", NAME_WORDS, pattern=NAME)
    size: Text = key("size in words", "text")
    body: BodyKeys = key("bar", '"flat" or "round" as kind, with its sizes')
    lower: FittingKeys = key("lower end", '"eye", "ball" or "crosspin" as kind, with its sizes')
    upper: FittingKeys = key("upper end", '"eye", "ball" or "crosspin" as kind, with its sizes')
    label: LabelKeys = key("label place", "a table")
    limits: LimitKeys = key("limits", "a table")


class RodFileKeys(Table):
    """A rod template file: a family and its rows."""

    schema_: Version = key("version of this file's form", "1", alias="schema")
    family: Text = key("name of the family", NAME_WORDS, pattern=NAME)
    title: Text = key("name for people", "text")
    description: Text = key("one sentence", "text")
    hardware: Text = key("what the sizes are and whether they are validated", "text")
    row: list[RowKeys] = key("the templates", "at least one [[row]]", min_length=1)
