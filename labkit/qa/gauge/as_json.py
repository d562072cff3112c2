"""A gauge study as JSON content."""

from __future__ import annotations

import math
from typing import Any

from labkit.core.jsonable import jsonable
from labkit.qa.gauge.anova import Anova, Source
from labkit.qa.gauge.bias import Bias, Linearity
from labkit.qa.gauge.intervals import INTERVAL_METHOD
from labkit.qa.gauge.outcome import Outcome
from labkit.qa.gauge.result import GaugeResult, Range, Variation


def outcome_json(outcome: Outcome) -> dict[str, Any]:
    """Write an outcome as JSON content; what is infinite or not known is null.

    Returns:
        Tables, lists, numbers and text.
    """
    study, first, asked = outcome.study, outcome.first, outcome.asked
    return {
        "schema": 1,
        "study": None if study is None else {
            "parts": list(study.parts),
            "operators": list(study.operators) if study.has_operators else [],
            "trials": study.trials,
        },
        "tolerance_mm": asked.tolerance_mm,
        "confidence": asked.confidence,
        "anova": None if outcome.by_anova is None else {
            **_result(outcome.by_anova[0]), **_table(outcome.by_anova[1]),
            "interval_method": INTERVAL_METHOD,
        },
        "ranges": None if outcome.by_ranges is None else {
            **_result(outcome.by_ranges[0]), **jsonable(outcome.by_ranges[1]),
        },
        "repeatability": None if first is None else {
            "standard_deviation_mm": first[Variation.REPEATABILITY].sd_mm,
            "degrees_of_freedom": first.repeatability_dof,
        },
        "bias": [_bias(bias) for bias in outcome.biases],
        "linearity": None if outcome.line is None else _line(outcome.line),
        "findings": [jsonable(finding) for finding in outcome.findings],
    }  # fmt: skip


def _result(result: GaugeResult) -> dict[str, Any]:
    return {
        "components": [
            {
                "name": str(component.part),
                "variance_mm2": component.variance_mm2,
                "sd_mm": component.sd_mm,
                "interval_mm": _range(component.interval_mm),
                "contribution_percent": result.contribution_percent(component.part),
                "study_percent": result.study_percent(component.part),
                "tolerance_percent": result.tolerance_percent(component.part),
            }
            for component in result.components
        ],
        "categories": result.categories,
        "distinct": result.distinct,
        "study_percent_interval": _range(result.share_interval),
        "distinct_interval": _range(result.categories_interval),
    }


def _table(table: Anova) -> dict[str, Any]:
    return {
        "sources": [_source(source) for source in table.sources],
        "total": {"ss_mm2": table.total_ss_mm2, "dof": table.total_dof},
        "pooling_level": table.level,
        "interaction_p": table.interaction_p,
        "pooled": None if table.pooled is None else [_source(source) for source in table.pooled],
    }


def _source(source: Source) -> dict[str, Any]:
    return {
        "name": str(source.name), "ss_mm2": source.ss_mm2, "dof": source.dof,
        "ms_mm2": source.ms_mm2, "f": _finite(source.f), "p": source.p,
    }  # fmt: skip


def _bias(bias: Bias) -> dict[str, Any]:
    return {
        "reference_mm": float(bias.reference_mm), "readings": len(bias.readings_mm),
        "bias_mm": bias.bias_mm, "sd_mm": bias.sd_mm, "interval_mm": _range(bias.interval_mm),
        "t": _finite(bias.t), "p": bias.p,
    }  # fmt: skip


def _line(line: Linearity) -> dict[str, Any]:
    lack = line.lack
    return {
        "slope": line.slope, "slope_interval": _range(line.slope_interval),
        "slope_p": line.slope_p,
        "intercept_mm": line.intercept_mm,
        "intercept_interval_mm": _range(line.intercept_interval_mm),
        "intercept_p": line.intercept_p,
        "residual_sd_mm": line.fit.residual_sd, "r_squared": line.fit.r_squared,
        "lack_of_fit": None if lack is None else {"f": _finite(lack.f), "p": lack.p},
    }  # fmt: skip


def _range(interval: Range | None) -> list[float] | None:
    return None if interval is None else [interval.lower, interval.upper]


def _finite(value: float | None) -> float | None:
    return None if value is None or math.isinf(value) else value
