"""Measurement uncertainty after the GUM: components, combined and expanded uncertainty."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from labkit.errors import InputError
from labkit.units import plain

#: Coverage that an expanded uncertainty has where none is named.
COVERAGE = 0.95


@dataclass(frozen=True)
class Component:
    """One source of uncertainty of a length.

    Args:
        u_mm: Its contribution, one standard uncertainty of the length, mm.
        dof: Degrees of freedom, infinite where the value itself is not in doubt.
        kind: "A" from a statistical series, "B" from anything else.
    """

    name: str
    u_mm: float
    dof: float
    kind: Literal["A", "B"]
    basis: str

    def __post_init__(self) -> None:
        if not math.isfinite(self.u_mm) or self.u_mm < 0:
            raise InputError(
                f"the standard uncertainty of {self.name} must be a finite number, 0 or more",
                field="u_mm", value=self.u_mm, allowed="0 or more",
            )
        if math.isnan(self.dof) or self.dof <= 0:
            raise InputError(
                f"the degrees of freedom of {self.name} must be above 0",
                field="dof", value=self.dof, allowed="above 0, infinity included",
            )
        if self.kind not in ("A", "B"):
            raise InputError(
                f"the kind of {self.name} must be A or B", field="kind", value=self.kind,
                allowed='"A" or "B"',
            )


@dataclass(frozen=True)
class Budget:
    """An uncertainty budget: independent components of one length.

    Formula: u = √(Σ uᵢ²); ν_eff = u⁴ / Σ(uᵢ⁴ / νᵢ), truncated downwards.

    Raises:
        InputError: Nothing in it is uncertain.

    >>> few, many = Component("a", 0.003, 4, "A", ""), Component("b", 0.004, math.inf, "B", "")
    >>> budget = Budget((few, many))
    >>> round(budget.combined_mm, 6), budget.effective_dof
    (0.005, 30.0)

    Source: JCGM 100:2008 (GUM), 5.1.2 and G.4.1.
    """

    components: tuple[Component, ...]

    def __post_init__(self) -> None:
        if not self.combined_mm > 0:
            raise InputError(
                "an uncertainty budget needs at least one component above 0: no length is exact",
                field="components",
            )

    @property
    def combined_mm(self) -> float:
        """Combined standard uncertainty, mm."""
        return math.hypot(*(one.u_mm for one in self.components))

    @property
    def effective_dof(self) -> float:
        """Effective degrees of freedom: whole, at least 1, or infinite."""
        return effective_dof([(one.u_mm, one.dof) for one in self.components])

    def coverage_factor(self, probability: float = COVERAGE) -> float:
        """Give the factor k of the expanded uncertainty; see `coverage_factor`."""
        return coverage_factor(self.effective_dof, probability)

    def expanded_mm(self, probability: float = COVERAGE) -> float:
        """Expanded uncertainty U = k · u, mm.

        Source: JCGM 100:2008 (GUM), 6.2.1 and G.4.
        """
        return self.coverage_factor(probability) * self.combined_mm

    def to_json(self) -> list[dict[str, Any]]:
        """Write the components as JSON content; infinite degrees of freedom are null."""
        return [
            {**vars(one), "dof": None if math.isinf(one.dof) else one.dof}
            for one in self.components
        ]


def budget_from_json(content: Iterable[Mapping[str, Any]]) -> Budget:
    """Rebuild a budget from what `Budget.to_json` wrote.

    >>> one = Budget((Component("a", 0.003, math.inf, "B", "x"),))
    >>> budget_from_json(one.to_json()) == one
    True
    """
    return Budget(
        tuple(
            Component(**{
                **each, "u_mm": float(each["u_mm"]),
                "dof": math.inf if each["dof"] is None else float(each["dof"]),
            })
            for each in content
        )
    )


def effective_dof(parts: Sequence[tuple[float, float]]) -> float:
    """Give the effective degrees of freedom of a combined standard uncertainty.

    Formula: ν_eff = u⁴ / Σ(uᵢ⁴ / νᵢ) with u² = Σ uᵢ², truncated downwards.

    Args:
        parts: Standard uncertainty uᵢ and degrees of freedom νᵢ of each part, one uᵢ above 0.

    Returns:
        A whole number, at least 1, or infinity.

    >>> effective_dof([(0.003, 4), (0.004, math.inf)])
    30.0

    Source: JCGM 100:2008 (GUM), G.4.1 (Welch and Satterthwaite).
    """
    combined = math.hypot(*(u for u, _ in parts))
    doubt = sum((u / combined) ** 4 / dof for u, dof in parts)
    if doubt == 0:
        return math.inf
    # 1e-9: a quotient that is whole but for binary noise is not cut to the number below.
    return max(1.0, float(math.floor(1 / doubt + 1e-9)))


def tenths(dof: float) -> float:
    """Round degrees of freedom down to tenths, as they are told: never more than there are.

    >>> tenths(20.003950361), tenths(9.97), tenths(math.inf)
    (20.0, 9.9, inf)
    """
    return dof if math.isinf(dof) else math.floor(dof * 10 + 1e-9) / 10


def dof_told(dof: float | None, endless: str = "infinite") -> str:
    """Write degrees of freedom for people; None, as JSON has it, is without end.

    >>> dof_told(4.0), dof_told(20.003950361), dof_told(9.97), dof_told(None)
    ('4', '20', '9.9', 'infinite')
    """
    return endless if dof is None or math.isinf(dof) else plain(tenths(dof))


def coverage_factor(dof: float, probability: float = COVERAGE) -> float:
    """Give the factor k for a two-sided coverage.

    Formula: k = t((1 + p) / 2; ν), Student's t; the normal deviate for infinite ν.

    Args:
        dof: Degrees of freedom ν, infinity allowed.

    Raises:
        InputError: Degrees of freedom or probability out of range.

    >>> round(coverage_factor(16, 0.99), 2), round(coverage_factor(math.inf), 2)
    (2.92, 1.96)

    Source: JCGM 100:2008 (GUM), G.3 and table G.2.
    """
    if not 0 < probability < 1:
        raise InputError(
            "the coverage must lie between 0 and 1", field="probability", value=probability,
            allowed="above 0 and below 1",
        )
    if math.isnan(dof) or dof <= 0:
        raise InputError(
            "degrees of freedom must be above 0", field="dof", value=dof, allowed="above 0"
        )
    from scipy.special import ndtri, stdtrit

    upper = (1 + probability) / 2
    return float(ndtri(upper) if math.isinf(dof) else stdtrit(dof, upper))


def uniform(half_width: float) -> float:
    """Standard uncertainty of a value known to lie within ± a, anywhere alike: a / √3.

    >>> round(uniform(0.012), 6)
    0.006928

    Source: JCGM 100:2008 (GUM), 4.3.7.
    """
    if not math.isfinite(half_width) or half_width < 0:
        raise InputError(
            "the half-width of an interval must be a finite number, 0 or more",
            field="half_width", value=half_width, allowed="0 or more",
        )
    return half_width / math.sqrt(3)


def resolution(step: float) -> float:
    """Standard uncertainty of a reading rounded to a step δ: δ / √12.

    >>> round(resolution(0.01), 7)
    0.0028868

    Source: JCGM 100:2008 (GUM), F.2.2.1.
    """
    return uniform(step / 2)
