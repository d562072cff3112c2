"""An account of one case, kept by hand beside the program: what every rod means, at any moment.

It knows the readings, the anchors and what happened to each rod. What a pair makes is straight
arithmetic, or solved with SciPy from the jaw models as DEVELOPERS.md, The design, states them;
nothing of labkit is asked. Invented data.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from dataclasses import dataclass, field, replace
from functools import cache
from types import SimpleNamespace

import numpy as np

from tests.support import independent

SIDES = ("left", "right")
#: States in which a rod is with somebody who may put it in.
IN_CIRCULATION = ("made", "released", "withheld", "delivered", "fitted")
NOT_TO_BE_WORN = "NOT TO BE WORN"
WITHIN_ROUNDING = "100 % within rounding"
RETRUDED, PROTRUDED, REGISTERED, DEVIATION = -4.0, 6.0, 2.0, 1.0
#: Straight: distance of the anchors at the registered bite, left and right.
DISTANCES = {"left": 32.6, "right": 32.4}
UPPER = {"left": (-8.0, 27.0, 4.5), "right": (-8.6, -26.4, 4.1)}
LOWER = {"left": (-32.4, 29.6, -7.0), "right": (-34.2, -30.2, -7.6)}
PATH_DEG = 8.0
PERCENTS = (50, 65, 93, 100)
START = 50


def _anchors(model: str, action: str, side: str) -> dict[str, object]:
    """Push: front and back end are exchanged, and the upper seat lies below the lower one."""
    if model == "straight":
        return {"pin_distance": DISTANCES[side]}
    front, back = UPPER[side], LOWER[side]
    if action == "push":
        (x, y, z), (u, v, w) = back, front
        front, back = (x, y, -z), (u, v, -w)
    return {"upper": list(front), "lower": list(back)}


def prescription(model: str, action: str, percents=PERCENTS, start: float = START) -> str:
    """Write the prescription of the case."""
    lines = [
        "schema = 1", f'case = "{case_number(model, action)}"', "date = 2031-03-14", "[bite]",
        'zero = "retruded"', f"retruded = {RETRUDED}", f"protruded = {PROTRUDED}",
        f"registered = {REGISTERED}",
        *([f"midline_deviation = {DEVIATION}"] if model != "straight" else []),
        "[appliance]", f'action = "{action}"', 'template = "eye-eye-flat"',
    ]
    for side in SIDES:
        lines.append(f"[appliance.{side}]")
        lines += [f"{key} = {value}" for key, value in _anchors(model, action, side).items()]
    lines += ["[jaw]", f'model = "{model}"']
    if model == "sliding":
        lines.append(f"path_inclination = {PATH_DEG}")
    lines += ["[grading]", f"percent = {list(percents)}", f"start = {start}"]
    return "\n".join(lines) + "\n"


def case_number(model: str, action: str) -> str:
    """Give the number of the case."""
    return f"QF-{model}-{action}"


def _bonwill(height: float = 0.0):
    """Condyles by the Bonwill triangle of 101.6 mm at the Balkwill angle of 22°."""
    back = 101.6 * np.sqrt(3) / 2
    x, z = -back * np.cos(np.radians(22)), height + back * np.sin(np.radians(22))
    return (x, 50.8, z), (x, -50.8, z)


@cache
def geometry(model: str, action: str) -> SimpleNamespace:
    """Give the case as the independent solver wants it."""
    sides = {}
    for side in SIDES:
        known = _anchors(model, action, side)
        sides[side] = SimpleNamespace(
            pin_distance_mm=known.get("pin_distance"), upper=known.get("upper"),
            lower=known.get("lower"),
        )
    left, right = _bonwill()
    jaw = SimpleNamespace(
        model=model, path_inclination_deg=PATH_DEG, condyle_left=left, condyle_right=right,
        condylar_inclination_deg=(30.0, 30.0), contact_inclination_deg=0.0,
        pads_left=(-30.0, 22.0, 0.0), pads_right=(-30.0, -22.0, 0.0), incisal=(0.0, 0.0, 0.0),
    )
    bite = SimpleNamespace(
        zero="retruded", retruded=RETRUDED, habitual=None, protruded=PROTRUDED,
        registered=REGISTERED, midline_deviation_mm=DEVIATION if model != "straight" else 0.0,
    )
    return SimpleNamespace(bite=bite, action=action, jaw=jaw, **sides)


@cache
def advancement(model: str, action: str, left: float, right: float) -> float:
    """Millimetres forward from zero that a pair of seats' distances makes."""
    case = geometry(model, action)
    near = _nearest(model, action, (left + right) / 2)
    return float(independent.made(case, near, (left, right))["advancement_mm"])


def lengths(model: str, action: str, advanced: float) -> np.ndarray:
    """Distance of the seats, left and right, at an advancement."""
    return independent.exact_lengths(geometry(model, action), advanced - (REGISTERED - RETRUDED))


@cache
def _course(model: str, action: str):
    at = np.arange(-7.0, 5.01, 0.5)
    case = geometry(model, action)
    return at, np.array([independent.exact_lengths(case, d).mean() for d in at])


def _nearest(model: str, action: str, mean: float) -> float:
    """Where along the path the mean length is nearly this: the solver begins there."""
    at, means = _course(model, action)
    return float(at[np.abs(means - mean).argmin()])


def length_tolerance(length: float) -> float:
    """ISO 2768-1 class f: ±0.1 to 30 mm, ±0.15 to 120 mm."""
    return 0.1 if length <= 30 else 0.15


@dataclass
class Rod:
    """A rod: where it belongs, what is engraved on it, what has become of it."""

    identifier: str
    set_name: str
    step: int
    side: str
    label: str
    state: str = "made"
    replaces: str = ""

    @property
    def length(self) -> float:
        return float(self.label.rstrip("LR"))

    @property
    def grouped(self) -> str:
        one = self.identifier
        return f"{one[:4]} {one[4:7]} {one[7:10]} {one[10:]}"


@dataclass
class Pair:
    """Both rods of a place that are in circulation, and what they make."""

    set_name: str
    step: int
    left: Rod
    right: Rod
    advancement_mm: float
    percent: float
    word: str

    @property
    def rods(self) -> tuple[Rod, Rod]:
        return self.left, self.right

    @property
    def labels(self) -> tuple[str, str]:
        return self.left.label, self.right.label

    @property
    def lengths(self) -> tuple[str, str]:
        """Labels without the marks L and R."""
        return self.left.label.rstrip("L"), self.right.label.rstrip("R")


@dataclass
class Account:
    """What has happened to the case, and what follows from it."""

    model: str
    action: str
    rods: dict[str, Rod] = field(default_factory=dict)
    #: Sets by name: percents asked for, and the range they were made for.
    sets: dict[str, tuple[tuple[float, ...], float]] = field(default_factory=dict)
    #: Last papers of each set: the range that they tell, and the rods that stand on them.
    papers: dict[str, tuple[float, frozenset[str]]] = field(default_factory=dict)
    #: The ranges that held, the newest last.
    ranges: list[float] = field(default_factory=lambda: [PROTRUDED - RETRUDED])

    @property
    def case(self) -> str:
        return case_number(self.model, self.action)

    @property
    def range_mm(self) -> float:
        return self.ranges[-1]

    def printed(self, set_name: str) -> None:
        """Papers of a set are printed: they tell what holds, and every rod that there is."""
        self.papers[set_name] = (self.range_mm, frozenset(self.rods))

    def wrong_papers(self) -> dict[str, set[str]]:
        """Give the rods in circulation on the last papers of each set that tell another range."""
        out = {rod.identifier for rod in self.in_circulation()}
        return {
            name: set(rods & out) for name, (told, rods) in self.papers.items()
            if abs(told - self.range_mm) > 1e-9 and rods & out
        }

    def if_accepted(self, range_mm: float) -> Now:
        """Give what would hold on another range."""
        return replace(self, ranges=[*self.ranges, range_mm]).now()

    def makes(self, left: float, right: float) -> float:
        """Advancement of two lengths, mm."""
        return advancement(self.model, self.action, left, right)

    def length_at(self, advanced: float) -> dict[str, float]:
        """Distance of the seats of each side at an advancement."""
        return dict(zip(SIDES, lengths(self.model, self.action, advanced), strict=True))

    def moves_forward(self, left: float, right: float) -> float:
        """How far a pair within its tolerances holds the jaw forward of what it should, at most."""
        tolerances = length_tolerance(left), length_tolerance(right)
        here, side = self.makes(left, right), min(tolerances)
        return max(
            self.makes(left + a * tolerances[0], right + b * tolerances[1]) - here
            for a, b in itertools.product((-1, 1), repeat=2)
            if abs(a * tolerances[0] - b * tolerances[1]) <= side + 1e-9
        )

    def in_circulation(self) -> list[Rod]:
        return [rod for rod in self.rods.values() if rod.state in IN_CIRCULATION]

    def places(self) -> dict[tuple[str, int], dict[str, Rod]]:
        """Rods in circulation by set and step that they fill a place of."""
        found: dict[tuple[str, int], dict[str, Rod]] = defaultdict(dict)
        for rod in self.in_circulation():
            assert rod.side not in found[self.place(rod)], rod
            found[self.place(rod)][rod.side] = rod
        return found

    def place(self, rod: Rod) -> tuple[str, int]:
        """Give the set and step whose place a rod fills: that of the rod that it replaces."""
        while rod.replaces:
            rod = self.rods[rod.replaces]
        return rod.set_name, rod.step

    def pairs(self) -> list[Pair]:
        """Give every pair in circulation, least advancement first."""
        found = []
        for (set_name, step), both in self.places().items():
            if len(both) == 2:
                found.append(self.pair(set_name, step, both["left"], both["right"]))
        return sorted(found, key=lambda pair: pair.advancement_mm)

    def pair(self, set_name: str, step: int, left: Rod, right: Rod) -> Pair:
        advanced = self.makes(left.length, right.length)
        return Pair(
            set_name, step, left, right, advanced, 100 * advanced / self.range_mm,
            self.word(left, right),
        )

    def word(self, left: Rod, right: Rod) -> str:
        """Give the words that a pair has at every place it stands; empty at 100 % and below."""
        beyond = self.makes(left.length, right.length) - self.range_mm
        if beyond <= 1e-6:
            return ""
        allowed = self.moves_forward(left.length, right.length)
        # Events are chosen so that no pair lies where the two roads could differ.
        assert abs(beyond - allowed) > 0.02, (left, right, beyond, allowed)
        return NOT_TO_BE_WORN if beyond > allowed else WITHIN_ROUNDING

    def now(self) -> Now:
        """Give what holds at this moment."""
        pairs = self.pairs()
        by_rod = {rod.identifier: pair for pair in pairs for rod in pair.rods}
        earlier = tuple(dict.fromkeys(one for one in self.ranges if one != self.range_mm))
        return Now(self.case, self.range_mm, earlier, tuple(pairs), by_rod, dict(self.rods))


@dataclass(frozen=True)
class Now:
    """What holds at one moment: the range, those before it, and every pair in circulation."""

    case: str
    range_mm: float
    earlier_mm: tuple[float, ...]
    pairs: tuple[Pair, ...]
    #: Pair of a rod by the rod's identifier; a rod that stands alone is not in it.
    by_rod: dict[str, Pair]
    rods: dict[str, Rod]
