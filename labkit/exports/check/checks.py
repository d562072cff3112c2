"""A check of a written file: what was measured, what was expected, and the sentence if it fails."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from labkit.units import CHECK_DECIMALS, WRITTEN_DECIMALS, written

#: Failures that a refusal lists: the first ones tell what is wrong, the others follow from it.
MOST_TOLD = 3

Value = float | int | str | bool | None


@dataclass(frozen=True)
class Check:
    """One check.

    Args:
        file: Kind of file, "STEP", "STL" or "3MF".
        measured: What was found, None where nothing was.
        tolerance: Largest difference allowed; None where the two must be equal.
        sentence: Why it does not hold, as a clause; empty where it holds.
    """

    file: str
    name: str
    measured: Value
    expected: Value
    tolerance: float | None
    unit: str
    passed: bool
    sentence: str

    def to_json(self) -> dict[str, Any]:
        """Give the check as plain values, in a fixed order."""
        told = {
            name: written(value, self._decimals) if isinstance(value, float) else value
            for name, value in vars(self).items()
        }
        del told["sentence"]
        return told

    @property
    def _decimals(self) -> int:
        """Decimals that mean something: numbers without tolerance are scores."""
        if self.tolerance is None:
            return WRITTEN_DECIMALS["score"]
        return CHECK_DECIMALS[self.unit]


class Checked:
    """A written file, or the files of a part, with every check on it in a fixed order."""

    checks: tuple[Check, ...]

    @property
    def passed(self) -> bool:
        """Whether every check holds."""
        return not self.failures

    @property
    def failures(self) -> tuple[str, ...]:
        """A clause for each check that does not hold."""
        return tuple(check.sentence for check in self.checks if not check.passed)

    def told_failures(self) -> str:
        """Give the first failures as one clause, and how many more there are."""
        failures = self.failures
        more = len(failures) - MOST_TOLD
        return "; ".join((*failures[:MOST_TOLD], *([f"and {more} more"] if more > 0 else ())))


@dataclass(frozen=True)
class Checker:
    """Makes the checks of one file."""

    file: str

    def near(
        self, name: str, measured: float | None, expected: float, tolerance: float,
        unit: str = "mm",
    ) -> Check:
        """Check a number against what was asked.

        Args:
            measured: What was found, None where nothing was.
        """
        passed = measured is not None and abs(measured - expected) <= tolerance
        says = (
            f"{name} could not be measured (asked: {expected:.6g} {unit})"
            if measured is None
            else f"{name} measures {measured:.9g} {unit} "
            f"(allowed: {expected:.9g} ± {tolerance:g} {unit})"
        )
        return self._check(name, (measured, expected), passed, says, (tolerance, unit))

    def same(self, name: str, measured: Value, expected: Value) -> Check:
        """Check that two values are equal."""
        says = f"{name} is {measured!r} (asked: {expected!r})"
        return self._check(name, (measured, expected), measured == expected, says)

    def holds(self, name: str, passed: bool, reason: str) -> Check:
        """Check that something holds, with the reason if it does not."""
        return self._check(name, (passed, True), passed, f'"{name}" does not hold: {reason}')

    def at_least(self, name: str, measured: float, least: float) -> Check:
        """Check that a number reaches a limit."""
        says = f"{name} is {measured:.3g} (allowed: {least:g} or more)"
        return self._check(name, (measured, least), measured >= least, says)

    def at_most(self, name: str, measured: float | None, most: float, unit: str = "mm") -> Check:
        """Check that a number stays within a limit."""
        passed = measured is not None and measured <= most
        found = "could not be measured" if measured is None else f"is {measured:.6g} {unit}"
        says = f"{name} {found} (allowed: {most:g} {unit} or less)"
        return self._check(name, (measured, 0.0), passed, says, (most, unit))

    def unreadable(self, why: str) -> Check:
        """Give the failed check of a file that cannot be read."""
        return self._check("readable", (False, True), False, why)

    def _check(
        self, name: str, values: tuple[Value, Value], passed: bool, says: str,
        within: tuple[float | None, str] = (None, ""),
    ) -> Check:
        """Make a check; what it says counts where it fails."""
        says = "" if passed else f"{self.file}: {says}"
        return Check(self.file, name, *values, *within, passed, says)
