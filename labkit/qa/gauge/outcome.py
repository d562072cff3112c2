"""A whole gauge study: both ways of working it out, bias, and what follows from it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from labkit.core.findings import Finding, note
from labkit.errors import InputError
from labkit.qa.gauge.anova import CONFIDENCE, POOLING_LEVEL, Anova, anova, gauge_by_anova
from labkit.qa.gauge.bias import Bias, Linearity, bias_findings, biases, linearity, signed
from labkit.qa.gauge.look_at import Person, Rod, persons, rods
from labkit.qa.gauge.ranges import MOST, RangeTable, gauge_by_ranges
from labkit.qa.gauge.result import GaugeResult, Variation, judgements
from labkit.qa.gauge.study import USUAL_OPERATORS, USUAL_PARTS, Reading, Study, study_of
from labkit.units import counted, plain

#: Rods to look at that are named one by one.
_MOST_NAMED = 12
#: Rods of a process that just keeps its tolerance take all of it; twice that is not one process.
_FLATTERED = 2.0


class Ways(StrEnum):
    """How a study is worked out."""

    ANOVA = "anova"
    RANGES = "ranges"
    BOTH = "both"


@dataclass(frozen=True)
class Asked:
    """What is asked of a study.

    Args:
        tolerance_mm: ± of the length that the gauge decides on, None if not given.
    """

    ways: Ways = Ways.BOTH
    tolerance_mm: float | None = None
    level: float = POOLING_LEVEL
    confidence: float = CONFIDENCE

    def __post_init__(self) -> None:
        tolerance = self.tolerance_mm
        if tolerance is not None and not (math.isfinite(tolerance) and tolerance > 0):
            raise InputError(
                f"a tolerance of ± {tolerance:g} mm is not usable; give a number above 0",
                field="tolerance", value=tolerance,
            )
        if not 0 < self.confidence < 1:
            raise InputError(
                f"a confidence of {self.confidence:g} is not usable; give one between 0 and 1, "
                "such as 0.95", field="confidence", value=self.confidence,
            )


@dataclass(frozen=True)
class Outcome:
    """What a study gave.

    Args:
        study: The crossed study, None where only bias was asked for.
        by_anova: Components and table of the analysis of variance.
        by_ranges: Components and table of averages and ranges, None for a study too large for them.
        persons: How each person measures; empty where persons do not count.
        rods: Readings of single rods that stand out.
        line: Bias along the scale.
        findings: What to know, the judgement first.
    """

    study: Study | None
    by_anova: tuple[GaugeResult, Anova] | None
    by_ranges: tuple[GaugeResult, RangeTable] | None
    persons: tuple[Person, ...]
    rods: tuple[Rod, ...]
    biases: tuple[Bias, ...]
    line: Linearity | None
    asked: Asked
    findings: tuple[Finding, ...]

    @property
    def first(self) -> GaugeResult | None:
        """The result that judgements rest on: the analysis of variance where it is there."""
        found = self.by_anova or self.by_ranges
        return found[0] if found else None


def work_out(
    crossed: Sequence[Reading] | None, against: Sequence[Reading] | None, asked: Asked
) -> Outcome:
    """Work out a study.

    Args:
        against: Readings with references, None for those of the crossed study that have one.

    Raises:
        InputErrors: The study is not balanced or contradicts itself.
        RefusedError: It is too small, or there is nothing to tell.
    """
    study = by_anova = by_ranges = None
    people: tuple[Person, ...] = ()
    odd: tuple[Rod, ...] = ()
    if crossed is not None:
        study = study_of(crossed)
        if asked.ways is not Ways.RANGES:
            by_anova = gauge_by_anova(study, asked.tolerance_mm, asked.level, asked.confidence)
        small = max(study.shape) <= MOST
        if asked.ways is Ways.RANGES or (asked.ways is Ways.BOTH and small):
            by_ranges = gauge_by_ranges(study, asked.tolerance_mm)
        table = anova(study, asked.level)
        people, odd = persons(study, table), rods(study, table)
    known = against if against is not None else [
        reading for reading in crossed or () if reading.reference_mm is not None
    ]
    found = biases(known, asked.confidence) if known or against is not None else ()
    line = linearity(known, asked.confidence) if found else None
    findings: list[Finding] = []
    if study is not None:
        result = (by_anova or by_ranges)[0]  # type: ignore[index]
        findings += _about_study(study, result)
        findings += _about_standing_out(people, odd)
        if asked.ways is Ways.BOTH and by_ranges is None:
            findings.append(note("gauge_no_ranges", (
                f"Averages and ranges take at most {MOST} parts, operators and trials and are left "
                "out: the analysis of variance says all that they would."
            )))
    if found:
        findings += [note("gauge_bias", message) for message in bias_findings(found, line)]
    return Outcome(study, by_anova, by_ranges, people, odd, found, line, asked, tuple(findings))


def instrument_lines(result: GaugeResult, operators: int = 1) -> tuple[str, ...]:
    """Write what the study gives for an instrument's file, as it stands there.

    Returns:
        Lines of TOML; none where the readings never differed, for no gauge repeats without scatter.
        What operators differ by is there where several were found to differ.

    >>> from labkit.qa.gauge.result import Component
    >>> part = Component(Variation.REPEATABILITY, 0.000016)
    >>> for line in instrument_lines(GaugeResult("", (part,), 60.7)):
    ...     print(line)
    [repeatability]
    standard_deviation = 0.004
    degrees_of_freedom = 60
    """
    sd = result[Variation.REPEATABILITY].sd_mm
    if not sd:
        return ()
    return (
        *_lines_of("repeatability", sd, math.floor(result.repeatability_dof)),
        *(_lines_of("reproducibility", hands, operators - 1)
          if operators > 1 and (hands := result[Variation.REPRODUCIBILITY].sd_mm) else ()),
    )


def _lines_of(table: str, sd_mm: float, dof: int) -> tuple[str, ...]:
    return (
        f"[{table}]",
        f"standard_deviation = {plain(float(f'{sd_mm:.4g}'))}",
        f"degrees_of_freedom = {dof}",
    )


def _about_study(study: Study, result: GaugeResult) -> list[Finding]:
    out = [note("gauge_judgement", sentence) for sentence in judgements(result)]
    out += _about_tolerance(result)
    out += [note("gauge_method", sentence) for sentence in result.notes]
    out += _about_size(study)
    out += _about_step(study)
    spread = [c for c in result.components if c.part is Variation.REPRODUCIBILITY]
    if spread and spread[0].sd_mm > 0:
        out.append(note("gauge_operators", (
            f"Another person adds a standard uncertainty of {spread[0].sd_mm:.4f} mm, which "
            "repeated readings by one person do not reduce. If any of them may measure, combine it "
            "with the uncertainty of the instrument's calibration."
        )))
    return out


def _about_tolerance(result: GaugeResult) -> list[Finding]:
    """Say what the shares are worth: long and short rods side by side flatter any gauge."""
    if result.tolerance_mm is None:
        return [note("gauge_no_tolerance", (
            "No tolerance was given, so the gauge is only compared with the rods of this study. "
            "Give the tolerance that it decides on with --tolerance."
        ))]
    if (result.share_of_tolerance(Variation.PARTS) or 0.0) <= _FLATTERED:
        return []
    return [note("gauge_parts_wide", (
        "The rods differ by more than the width of the tolerance, which flatters the gauge where "
        "it is compared with them: go by its share of the tolerance."
    ))]


def _about_standing_out(people: Sequence[Person], odd: Sequence[Rod]) -> list[Finding]:
    """Name whom and what to look at; of very many rods the first."""
    look = [
        f"{each.name} {each.look} ({signed(each.offset_mm, 4)} mm)" for each in people if each.look
    ]
    look += [f"{each.place}: {each.look} ({each.by_mm:.4g} mm)" for each in odd[:_MOST_NAMED]]
    if not look:
        return []
    more = f"; and {len(odd) - _MOST_NAMED} more" if len(odd) > _MOST_NAMED else ""
    return [note("gauge_look_at", (
        f"Look at this: {'; '.join(look)}{more}. Find the cause and measure again; do not leave "
        "readings out."
    ))]


def _about_size(study: Study) -> list[Finding]:
    parts, operators, trials = study.shape
    out = []
    if parts < USUAL_PARTS or (study.has_operators and operators < USUAL_OPERATORS):
        out.append(note("gauge_small_study", (
            f"The study has {counted(parts, 'part')} × {counted(operators, 'operator')} × "
            f"{counted(trials, 'trial')}; usual practice is at least {USUAL_PARTS} parts and "
            f"{USUAL_OPERATORS} operators. The intervals show how much a small study leaves open."
        )))
    if not study.has_operators:
        out.append(note("gauge_no_operators", (
            "The study has no operators to compare: it holds for a gauge that works without one, "
            "or for this one person."
        )))
    return out


def _about_step(study: Study) -> list[Finding]:
    """Tell where the scale's step hides the scatter: most trials repeat to the digit."""
    cells = [cell for part in study.values_mm for cell in part]
    equal = sum(len(set(cell)) == 1 for cell in cells)
    if 2 * equal <= len(cells):
        return []
    return [note("gauge_coarse_step", (
        f"In {equal} of {len(cells)} combinations all trials are equal: the step of the scale is "
        "too coarse to show the scatter, or readings were copied; repeatability is underestimated."
    ))]
