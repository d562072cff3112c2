"""A case as its record tells it: the prescription now, and where every rod holds the jaw."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from labkit.catalog.prescriptions import read_prescription
from labkit.catalog.toml_source import TomlSource, parse_toml
from labkit.core.case.cover import cover_step, with_tolerance
from labkit.core.case.rods_out import PairOut, RodOut, pairs_out, reaches_past
from labkit.core.case.trial_seen import step_at_100
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import check_recorded, grade
from labkit.core.grading.prescription import Prescription, Side
from labkit.core.grading.steps import LengthLimits
from labkit.core.jaw.build import jaw_model
from labkit.errors import InputError, RefusedError
from labkit.ledger.queries import Reader
from labkit.ledger.rods import REPLACEMENT
from labkit.ledger.stored import SetState, StoredPrescription, StoredRod, StoredSet

#: States in which a rod can be in the patient's box, or on its way there.
OUT_STATES = ("reserved", "made", "released", "withheld", "delivered", "fitted")


@dataclass(frozen=True)
class StoredCase:
    """What the ledger holds of a case, read.

    Args:
        revision: Last revision of its prescription.
        limits: Limits of the rod template that the rods were made from.
        sets_folder: Folder that holds the last of its sets.
        rods: Every rod, also those that are not out.
    """

    case: str
    revision: int
    source: TomlSource
    prescription: Prescription
    limits: LengthLimits
    sets_folder: str
    rods: tuple[StoredRod, ...]

    @property
    def out(self) -> tuple[RodOut, ...]:
        """The rods that are out or reserved."""
        return rods_out(self.rods)


@dataclass(frozen=True)
class SettingNow:
    """What a pair of rods means on the range as recorded now.

    Args:
        place, of: Which setting it is among those out, by rising advancement, from 1.
        advancement_mm, percent: As made; of a rod whose partner is not out, along the path.
        serves: Prescribed percentages that the pair serves.
        above_100: Sides whose rod reaches past the 100 % rod, so that it must not be worn.
    """

    place: int
    of: int
    advancement_mm: float
    percent: float
    serves: tuple[float, ...]
    above_100: tuple[Side, ...]


def read_case(reader: Reader, case: str) -> StoredCase:
    """Read a case from the ledger.

    Returns:
        The case with the last revision of its prescription.

    Raises:
        InputError: The stored prescription cannot be read by this program.
        RefusedError: No set of the case was ever started.
        LedgerError: The case has no prescription.
    """
    stored = reader.prescription(case)
    source, prescription = read_stored(stored)
    last = _telling_set(reader.sets(case), prescription)
    return StoredCase(
        case=case,
        revision=stored.revision,
        source=source,
        prescription=prescription,
        limits=limits_of(last.template.content),
        sets_folder=str(Path(last.folder).parent),
        rods=reader.rods(case),
    )


def read_stored(stored: StoredPrescription) -> tuple[TomlSource, Prescription]:
    """Read one revision of a prescription from its text.

    Raises:
        InputError: This program cannot read it.
    """
    source = parse_toml(stored.text, f"{stored.case}, revision {stored.revision}")
    prescription, _ = read_prescription(source, _stated_template(source))
    return source, prescription


def _stated_template(source: TomlSource) -> tuple[str, ...]:
    """Give the template that the text names: what it was like is stored with each set."""
    table = source.data.get("appliance")
    name = table.get("template") if isinstance(table, dict) else None
    return (name,) if isinstance(name, str) else ()


def _telling_set(sets: tuple[StoredSet, ...], prescription: Prescription) -> StoredSet:
    """Take the last set made, rather one of the template that the prescription names."""
    if not sets:
        raise RefusedError(
            f"no set of the case {prescription.case!r} was made yet, so there is no rod; make "
            "one with `labkit make`",
            field="case",
        )
    return max(
        sets,
        key=lambda s: (
            s.purpose != REPLACEMENT,  # its rods are as those of an older set
            s.template.name == prescription.template,
            s.state is SetState.MADE,
            s.started.seq,
        ),
    )  # fmt: skip


def limits_of(template: dict[str, Any]) -> LengthLimits:
    """Take the limits of a rod template as stored with a set.

    Raises:
        InputError: It was stored in a form that this program does not know.
    """
    try:
        return LengthLimits(
            shortest_mm=Decimal(repr(template["shortest_mm"])),
            longest_mm=Decimal(repr(template["longest_mm"])),
            tolerance_class=template["length_tolerance"],
            template=template["name"],
            handed=template["lower"] != template["upper"],
        )
    except (KeyError, ArithmeticError) as error:
        raise InputError(
            f"the rod template {template.get('name')!r} is stored in a form that this program "
            "does not know; use the version that stored it",
            field="template",
        ) from error


def pair_of(rod: StoredRod) -> str:
    """Name the setting that a rod was made for, such as "QF-1043-r1/3" (set, step).

    A replacement is of the setting of the rod whose place it takes.
    """
    return f"{rod.first_set}/{rod.step}"


def rods_out(rods: tuple[StoredRod, ...]) -> tuple[RodOut, ...]:
    """Pick the rods that are out or reserved, as the core knows them."""
    return tuple(
        RodOut(pair_of(rod), Side(rod.side), rod.label, made=rod.state != "reserved")
        for rod in rods
        if rod.state in OUT_STATES
    )


def settings_now(stored: StoredCase) -> dict[str, SettingNow]:
    """Work out what every pair of rods that is out means now.

    Returns:
        Pair → setting; a pair that cannot be read back on the path is missing.
    """
    prescription = stored.prescription
    if check_recorded(prescription):
        return {}
    scale = bite_scale(prescription.bite)
    model = jaw_model(prescription, scale.sideways_per_mm)
    pairs, _ = pairs_out(stored.out, model, scale)
    serves = _serves(stored)
    return {
        pair.pair: SettingNow(
            place=place,
            of=len(pairs),
            advancement_mm=pair.made.advancement_mm,
            percent=pair.made.percent,
            serves=tuple(serves.get(pair.pair, ())),
            above_100=_above_100(stored, pair),
        )
        for place, pair in enumerate(pairs, 1)
    }


def _serves(stored: StoredCase) -> dict[str, list[float]]:
    rods = with_tolerance(stored.out, stored.prescription.grading, stored.limits)
    served: dict[str, list[float]] = {}
    for step in grade(stored.prescription, stored.limits).steps:
        cover = cover_step(step, rods)
        if cover.pair:
            served.setdefault(cover.pair, []).append(cover.percent)
    return served


def _above_100(stored: StoredCase, pair: PairOut) -> tuple[Side, ...]:
    return tuple(
        side for side in Side if pair.label(side) and is_above_100(stored, side, pair.label(side))
    )


def is_above_100(stored: StoredCase, side: Side, label: str) -> bool:
    """Tell whether a rod reaches past the 100 % rod of its side on the range as recorded now."""
    prescription = stored.prescription
    at_100, _ = step_at_100(bite_scale(prescription.bite), prescription, stored.limits)
    return at_100 is not None and reaches_past(label, at_100.rod(side), prescription.action)
