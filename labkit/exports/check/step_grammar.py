"""Which entities a STEP file of a rod may hold, and how each is written: nothing else is read."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

#: A curve and a surface, wherever one may stand.
CURVES = ("LINE", "CIRCLE")
SURFACES = ("PLANE", "CYLINDRICAL_SURFACE", "SPHERICAL_SURFACE", "TOROIDAL_SURFACE")

#: Contexts and units are complex entities; they go by the names of their parts.
CONTEXT = (
    "GEOMETRIC_REPRESENTATION_CONTEXT+GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT"
    "+GLOBAL_UNIT_ASSIGNED_CONTEXT+REPRESENTATION_CONTEXT"
)
LENGTH = "LENGTH_UNIT+NAMED_UNIT+SI_UNIT"
ANGLE = "NAMED_UNIT+PLANE_ANGLE_UNIT+SI_UNIT"
SOLID_ANGLE = "NAMED_UNIT+SI_UNIT+SOLID_ANGLE_UNIT"
PLACE = "AXIS2_PLACEMENT_3D"
PRODUCT = "PRODUCT_DEFINITION"

#: Each entity of the solid: S a string, R a number, B a truth value, <…> a reference to one of
#: these kinds, <…>+ a list of them. All else stands as it is.
SOLID = {
    "CARTESIAN_POINT": "S,(R,R,R)",
    "DIRECTION": "S,(R,R,R)",
    "VECTOR": "S,<DIRECTION>,R",
    PLACE: "S,<CARTESIAN_POINT>,<DIRECTION>,<DIRECTION>",
    "LINE": "S,<CARTESIAN_POINT>,<VECTOR>",
    "CIRCLE": f"S,<{PLACE}>,R",
    "PLANE": f"S,<{PLACE}>",
    "CYLINDRICAL_SURFACE": f"S,<{PLACE}>,R",
    "SPHERICAL_SURFACE": f"S,<{PLACE}>,R",
    "TOROIDAL_SURFACE": f"S,<{PLACE}>,R,R",
    "VERTEX_POINT": "S,<CARTESIAN_POINT>",
    "EDGE_CURVE": f"S,<VERTEX_POINT>,<VERTEX_POINT>,<{'|'.join(CURVES)}>,B",
    "ORIENTED_EDGE": "S,*,*,<EDGE_CURVE>,B",
    "EDGE_LOOP": "S,(<ORIENTED_EDGE>+)",
    "FACE_BOUND": "S,<EDGE_LOOP>,B",
    "ADVANCED_FACE": f"S,(<FACE_BOUND>+),<{'|'.join(SURFACES)}>,B",
    "CLOSED_SHELL": "S,(<ADVANCED_FACE>+)",
    "MANIFOLD_SOLID_BREP": "S,<CLOSED_SHELL>",
}
#: Each entity of what stands round the solid; there is one of each. E is an enumeration or $.
FRAME = {
    "ADVANCED_BREP_SHAPE_REPRESENTATION":
        f"S,(<{PLACE}>,<MANIFOLD_SOLID_BREP>+),<{CONTEXT}>",
    "SHAPE_DEFINITION_REPRESENTATION":
        "<PRODUCT_DEFINITION_SHAPE>,<ADVANCED_BREP_SHAPE_REPRESENTATION>",
    "PRODUCT_DEFINITION_SHAPE": f"S,S,<{PRODUCT}>",
    PRODUCT: "S,S,<PRODUCT_DEFINITION_FORMATION>,<PRODUCT_DEFINITION_CONTEXT>",
    "PRODUCT_DEFINITION_FORMATION": "S,S,<PRODUCT>",
    "PRODUCT": "S,S,S,(<PRODUCT_CONTEXT>)",
    "PRODUCT_CONTEXT": "S,<APPLICATION_CONTEXT>,S",
    "PRODUCT_DEFINITION_CONTEXT": "S,<APPLICATION_CONTEXT>,S",
    "PRODUCT_RELATED_PRODUCT_CATEGORY": "S,$,(<PRODUCT>)",
    "APPLICATION_PROTOCOL_DEFINITION": "S,S,2013,<APPLICATION_CONTEXT>",
    "APPLICATION_CONTEXT": "S",
    "UNCERTAINTY_MEASURE_WITH_UNIT": f"LENGTH_MEASURE(R),<{LENGTH}>,S,S",
    CONTEXT: "GEOMETRIC_REPRESENTATION_CONTEXT(3)"
        "GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT((<UNCERTAINTY_MEASURE_WITH_UNIT>))"
        f"GLOBAL_UNIT_ASSIGNED_CONTEXT((<{LENGTH}>,<{ANGLE}>,<{SOLID_ANGLE}>))"
        "REPRESENTATION_CONTEXT(S,S)",
    LENGTH: "LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(E,E)",
    ANGLE: "NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.)",
    SOLID_ANGLE: "NAMED_UNIT(*)SI_UNIT($,.STERADIAN.)SOLID_ANGLE_UNIT()",
}
#: Entities that nothing has to refer to: where reading begins, and what is counted by itself.
UNNAMED = frozenset((
    "SHAPE_DEFINITION_REPRESENTATION", "APPLICATION_PROTOCOL_DEFINITION",
    "PRODUCT_RELATED_PRODUCT_CATEGORY", "ADVANCED_FACE",
))

#: An empty string '' is written as this while a file is read.
EMPTY = "\0"
STRING = f"(?:{EMPTY}+(?:'[^']*')?|'[^']*')"
_NUMBER = "#([1-9][0-9]*)"
_TOKENS = {
    "S": STRING, "R": r"([+-]?[0-9]+\.[0-9]*(?:E[+-]?[0-9]+)?)", "B": r"\.([TF])\.",
    "E": r"(\$|\.[A-Z]+\.)",
}
_SLOT = re.compile(r"<([^>]+)>(\+?)|(?<![A-Z_])([SRBE])(?![A-Z_])|([^<SRBE]+|[SRBE])")


@dataclass(frozen=True)
class Form:
    """How an entity is written.

    Args:
        pattern: All entities of the kind, one a line; its groups are numbers and references.
        kinds: For each group the kinds that a reference may be of; empty for a value.
    """

    pattern: re.Pattern[str]
    kinds: tuple[tuple[str, ...], ...]


@lru_cache(maxsize=1)
def forms() -> dict[str, Form]:
    """Give how every entity is written, by its keyword."""
    return {keyword: _form(text) for keyword, text in {**SOLID, **FRAME}.items()}


def _form(text: str) -> Form:
    pattern, kinds = "", []
    for named, listed, token, plain in _SLOT.findall(text):
        if named:
            pattern += f"({_NUMBER[0]}[0-9]+(?:,#[0-9]+)*)" if listed else _NUMBER
            kinds.append(tuple(named.split("|")))
        elif token:
            pattern += _TOKENS[token]
            if token != "S":
                kinds.append(())
        else:
            pattern += re.escape(plain)
    return Form(re.compile(f"^{pattern}$", re.MULTILINE), tuple(kinds))
