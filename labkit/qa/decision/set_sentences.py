"""What labels in wrong bags and sides that differ mean, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from labkit.core.findings import Finding
from labkit.qa.decision.conformance import Result
from labkit.qa.decision.mix_up import FITS_U, NOISE_MM
from labkit.qa.decision.readings import same_label
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.qa.decision.sides_and_steps import SideDifference
from labkit.qa.percent import percent_told
from labkit.units import millimetres, plain


def bears_own_label(rod: MeasuredRod) -> bool:
    """Tell whether a rod's own label was read on it; not so where nobody read it."""
    read = rod.readings.label_read
    return read is not None and same_label(read, rod.expected)


def bears_label_of(rod: MeasuredRod, other: MeasuredRod) -> bool:
    """Tell whether the label read from a rod is another rod's and not its own."""
    read = rod.readings.label_read
    return read is not None and not bears_own_label(rod) and same_label(read, other.expected)


def label_problems(rod: MeasuredRod) -> list[Finding]:
    """Give what was found about the label of one rod by itself."""
    return [finding for finding in rod.problems if finding.code == "label_read"]


def exchanged_told(first: MeasuredRod, second: MeasuredRod) -> str:
    """Say of two rods that bear each other's labels what their lengths add to that.

    Returns:
        A sentence without its end.
    """
    names = [rod.expected.name for rod in (first, second)]
    if _fits(first, second) and _fits(second, first):
        what = (
            "their lengths fit these labels, too: they are likely in each other's bags; put each "
            "into its own and measure both again"
        )
    elif _fits(first, first) and _fits(second, second):
        what = (
            "their lengths fit their own labels: the labels were likely written down in each "
            "other's lines, or engraved wrong; hold both and look again"
        )
    else:
        what = "their lengths do not tell why; hold both, read both labels and measure both again"
    return f"{names[0]} bears the label of {names[1]}, and that one bears the first one's; {what}"


def label_told(
    rod: MeasuredRod, owners: Sequence[MeasuredRod], others: Sequence[MeasuredRod]
) -> str:
    """Say of a rod that bears another rod's label what that may mean.

    Args:
        others: Those of them on which their own label was not read.

    Returns:
        A sentence without its end.
    """
    names = " and ".join(owner.expected.name for owner in owners)
    if not _fits(rod, owners[0]):
        why = "its length does not fit that label: it is likely engraved or read wrong"
    elif others:
        why = "its length fits that label, too: it is likely another rod in this one's bag"
    else:
        why = (
            "its length fits that label, too, but that rod lies in its own bag: it is likely one "
            "of another set"
        )
    hold = "hold them" if others else "hold it"
    return f"{rod.expected.name} bears the label of {names}; {why}; {hold}"


def _fits(rod: MeasuredRod, other: MeasuredRod) -> bool:
    """Tell whether a rod's length fits a label, and its own no better."""
    off = abs(rod.length_mm - float(other.expected.length_mm))
    most = float(other.expected.tolerance_mm) + FITS_U * rod.u_mm
    return off <= min(most, abs(rod.deviation_mm) + NOISE_MM)


def difference_told(each: SideDifference) -> tuple[str, str, str, str]:
    """Say that the sides of a step are not shown to agree.

    Args:
        each: A difference that does not conform.

    Returns:
        Code, sentence without its end, and the identifiers of both rods.
    """
    left, right, decision = each.left.expected, each.right.expected, each.decision
    wrong = decision.result is Result.NOT_CONFORMING
    if wrong:
        verdict, then = "beyond", "measure both again"
    elif decision.acceptance is None:
        verdict, then = "and this gauge is too coarse for", "measure both again with a finer gauge"
    else:
        verdict = "which this gauge does not show to be within"
        then = "measure both again with a finer gauge"
    size = millimetres(abs(each.difference_mm), 3)
    long = "longer" if each.difference_mm > 0 else "shorter"
    against = (
        f"{left.engraved} left is {size} mm {long} than {right.engraved} right"
        if left.length_mm == right.length_mm
        else f"{left.engraved} left, taken against {right.engraved} right, is {size} mm {long} "
        "than their labels say"
    )
    return (
        "sides_differ" if wrong else "sides_undecided",
        f"step {each.step}: {against}, {verdict} the side tolerance of "
        f"±{plain(each.tolerance_mm)} mm (standard uncertainty {millimetres(each.u_mm, 4)} mm, "
        f"probability {percent_told(decision.probability)}); {then}, or replace one",
        left.identifier, right.identifier,
    )  # fmt: skip
