"""What rods were measured with, as a release asks it: one line for each kind of fault."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence

from labkit.qa.decision.gauges import gauge_faults
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.units import first_few


def against_gauges(rods: Sequence[MeasuredRod], case: str, set_name: str) -> Iterator[str]:
    """Say which rods were measured with what does not release them, and what to do."""
    found: dict[tuple[str, str], list[str]] = {}
    for rod in rods:
        for fault in gauge_faults(rod.readings):
            found.setdefault(fault, []).append(rod.expected.name)
    redo = shlex.join(["labkit", "inspect", case, "--set", set_name])
    for (what, then), names in found.items():
        yield (
            f"{first_few(names)}: {what}; {then}, and record that with "
            f"`{redo} --again REASON`"
        )
