"""Arranging readings as a study: what is balanced, what is refused, how it is judged."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest

from labkit.core.report import data_of
from labkit.documents.gauge_report import gauge_report
from labkit.errors import InputError, InputErrors, RefusedError
from labkit.qa.files.gauge_file import read_bias, read_study
from labkit.qa.gauge.outcome import Asked, Ways, instrument_lines, work_out
from labkit.qa.gauge.ranges import gauge_by_ranges
from labkit.qa.gauge.result import Variation, judgements
from labkit.qa.gauge.study import Study, study_of
from tests.support.gauge_data import crossed

HEAD = "part;operator;trial;value\n"


def rows(parts=4, operators=("anna", "ben"), trials=2, value=None):
    value = value or (lambda p, o, t: f"{30 + p + 0.01 * o + 0.003 * t * (-1) ** p:.3f}")
    return [
        f"{p};{name};{t};{value(p, o, t)}\n"
        for p in range(parts) for o, name in enumerate(operators) for t in range(1, trials + 1)
    ]


def study(lines, head=HEAD):
    return study_of(read_study((head + "".join(lines)).encode(), "s.csv"))


def refusal(lines, head=HEAD, kind=InputErrors):
    with pytest.raises(kind) as caught:
        study(lines, head)
    return str(caught.value)


def test_rows_in_any_order_give_the_same_study():
    lines = rows()
    first, turned = study(lines), study(lines[::-1])
    assert first.shape == (4, 2, 2)
    assert set(turned.parts) == set(first.parts)
    assert turned.values_mm[::-1] == tuple(part[::-1] for part in first.values_mm)


def test_without_trial_the_order_counts_and_without_operator_there_are_none():
    lines = [line.replace(";1;", ";").replace(";2;", ";") for line in rows()]
    assert study(lines, "part;operator;value\n").values_mm == study(rows()).values_mm
    alone = study(["a;1\n", "a;2\n", "b;3\n", "b;4\n", "c;5\n", "c;7\n"], "part;value\n")
    assert (alone.shape, alone.has_operators) == ((3, 1, 2), False)


def test_a_missing_reading_is_named():
    lines = rows()
    del lines[5]
    said = refusal(lines)
    assert "s.csv: the study is not balanced: most combinations have 2 readings" in said
    assert "part 1, operator ben has 1 reading" in said or "part 1, operator anna" in said
    assert "measure what is missing" in said


def test_a_whole_missing_cell_is_named():
    said = refusal([line for line in rows() if not line.startswith("2;ben")])
    assert "part 2, operator ben has 0 readings" in said


def test_a_trial_given_twice_is_refused_with_both_places():
    lines = rows()
    lines[1] = lines[1].replace(";2;", ";1;")
    assert "s.csv:3: part 0, operator anna, trial 1 is given twice, first in s.csv:2" in refusal(
        lines
    )


def test_trials_numbered_in_part_are_refused():
    lines = rows()
    lines[1] = lines[1].replace(";2;", ";;")
    assert "s.csv:3: has no trial, others" in refusal(lines)


def test_names_that_only_capitals_tell_apart_are_refused():
    lines = rows()
    lines[2] = lines[2].replace("ben", "Ben")
    assert "`ben` and `Ben`" in refusal(lines) or "`Ben` and `ben`" in refusal(lines)


@pytest.mark.parametrize(
    ("lines", "reason"),
    [(rows(parts=2), "it needs at least 3"), (rows(parts=1), "has 1 part;"),
     (rows(trials=1), "one reading of each part"),
     (rows(value=lambda *_: "30.1"), "nothing differs")],
)
def test_too_small_a_study_is_refused(lines, reason):
    assert reason in refusal(lines, kind=RefusedError)


@pytest.mark.parametrize(
    ("line", "where"),
    [("4;anna;1;x\n", "s.csv:2, column 4 (value)"), ("4;;1;3\n", "s.csv:2, column 2 (operator)"),
     (";anna;1;3\n", "s.csv:2, column 1 (part)"), ("4;anna;1.5;3\n", "s.csv:2, column 3 (trial)"),
     ("4;anna;1;3000\n", "s.csv:2, column 4 (value)")],
)
def test_a_bad_cell_is_refused_with_its_place(line, where):
    assert refusal([line, *rows()]).startswith(where)


def test_a_part_has_one_reference():
    head = "part;value;reference\n"
    with pytest.raises(InputErrors, match=r"s.csv:3, column 3 .*30.2 mm here and 30.1 mm in s.csv"):
        read_study((head + "a;30;30.1\na;30;30.2\n").encode(), "s.csv")
    with pytest.raises(InputErrors, match="not given here and 30.1 mm"):
        read_study((head + "a;30;30.1\na;30;\n").encode(), "s.csv")
    with pytest.raises(InputErrors, match=r"s.csv:2, column 3 \(reference\): is empty"):
        read_bias((head + "a;30;\n").encode(), "s.csv")


def test_ranges_take_no_more_than_their_constants_reach():
    many = crossed([[[30, 30 + k / 1000]] for k in range(101)], ("",))
    with pytest.raises(RefusedError, match="at most 100"):
        gauge_by_ranges(many)


def outcome(lines, head=HEAD, **asked):
    return work_out(read_study((head + "".join(lines)).encode(), "s.csv"), None, Asked(**asked))


def codes(found):
    return [finding.code for finding in found.findings]


def test_shares_of_the_tolerance_count_the_whole_width():
    found = outcome(rows(), tolerance_mm=0.15)
    result = found.first
    share = result.share_of_tolerance(Variation.GAUGE)
    assert share == pytest.approx(6 * result[Variation.GAUGE].sd_mm / 0.30)
    assert "of the tolerance ± 0.15 mm" in judgements(result)[0]
    assert "gauge_no_tolerance" in codes(outcome(rows()))
    # Parts 3 mm apart are 10 tolerances wide.
    assert "gauge_parts_wide" in codes(found)


def test_findings_say_what_limits_the_study():
    assert "gauge_small_study" in codes(outcome(rows()))
    alone = outcome(["a;1\n", "a;2\n", "b;3\n", "b;4\n", "c;5\n", "c;7\n"], "part;value\n")
    assert "gauge_no_operators" in codes(alone)
    coarse = outcome(rows(value=lambda p, o, t: f"{30 + p + 0.01 * o + (p + t == 5) / 100:.2f}"))
    assert "gauge_coarse_step" in codes(coarse)
    assert "gauge_operators" in codes(coarse)


def test_a_gauge_without_any_variation_is_suspected():
    found = outcome(rows(value=lambda p, o, t: str(30 + p)))
    assert any("no variation at all" in finding.message for finding in found.findings)
    assert found.first.categories is None
    text = data_of(gauge_report(found, "study.csv", "2031-03-14").data)
    assert text["by_analysis_of_variance"]["sources"][0]["f"] is None
    assert text["by_analysis_of_variance"]["groups_told_apart_unrounded"] is None


def test_lines_for_the_instrument():
    lines = instrument_lines(outcome(rows()).first)
    assert lines[0] == "[repeatability]"
    assert lines[1].startswith("standard_deviation = 0.00")
    assert int(lines[2].split(" = ")[1]) in (8, 11)


def test_what_operators_differ_by_is_for_the_instrument_too():
    found = outcome(rows())
    lines = instrument_lines(found.first, len(found.study.operators))
    assert lines[3] == "[reproducibility]"
    sd = float(lines[4].removeprefix("standard_deviation = "))
    assert sd == pytest.approx(found.first[Variation.REPRODUCIBILITY].sd_mm, rel=1e-3)
    assert lines[5] == f"degrees_of_freedom = {len(found.study.operators) - 1}"
    shown = gauge_report(found, "study.csv", "2031-03-14").words
    assert "[reproducibility]" in shown


def test_either_way_alone():
    only = outcome(rows(), ways=Ways.RANGES)
    assert (only.by_anova, only.first.method) == (None, "averages and ranges")
    assert outcome(rows(), ways=Ways.ANOVA).by_ranges is None


@pytest.mark.parametrize(
    "asked", [{"tolerance_mm": 0.0}, {"tolerance_mm": -1.0}, {"tolerance_mm": float("nan")},
              {"tolerance_mm": float("inf")}, {"confidence": 1.5}],
)
def test_what_is_asked_is_checked(asked):
    with pytest.raises(InputError, match="is not usable"):
        Asked(**asked)


def test_references_in_the_study_give_bias_and_linearity():
    head = "part;operator;trial;value;reference\n"
    lines = [line.replace("\n", f";{30 + int(line[0])}\n") for line in rows()]
    found = outcome(lines, head)
    assert [bias.reference_mm for bias in found.biases] == [Decimal(30 + k) for k in range(4)]
    assert found.line is not None
    assert outcome(rows()).biases == ()


@pytest.mark.parametrize(("trials", "each"), [(2, 0.876), (3, 1.815), (4, 2.738), (5, 3.623)])
def test_the_freedom_of_mean_ranges(trials, each):
    """Degrees of freedom that a further group adds: the trade's table of d2* (from memory)."""
    rng = np.random.default_rng(trials)
    values = rng.normal(30, 0.01, (10, 3, trials))
    made = Study(tuple("abcdefghij"), tuple("xyz"), tuple(
        tuple(tuple(Decimal(f"{v:.4f}") for v in cell) for cell in part) for part in values
    ))
    result, _ = gauge_by_ranges(made)
    assert result.repeatability_dof == pytest.approx(30 * each, rel=6e-4)
    # A standard deviation of ν degrees of freedom has the relative variance 1/(2ν), nearly.
    means = np.ptp(rng.normal(size=(20_000, 30, trials)), axis=2).mean(axis=1)
    assert result.repeatability_dof == pytest.approx(
        means.mean() ** 2 / (2 * means.var()), rel=0.04
    )
