"""Persons and rods of a gauge study to look at: found where they are, seldom where they are not."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.qa.gauge.anova import anova
from labkit.qa.gauge.look_at import CHANCE, persons, rods
from tests.support.gauge_data import crossed, houf_berman


def readings(seed, shape=(10, 3, 3), sd=0.003):
    rng = np.random.default_rng(seed)
    return 30 + rng.normal(0, 0.03, (shape[0], 1, 1)) + rng.normal(0, sd, shape)


def looked_at(x):
    study = crossed(np.round(x, 5).tolist(), ("anna", "ben", "kim")[: x.shape[1]])
    table = anova(study)
    return [(p.name, p.look) for p in persons(study, table) if p.look], [
        (r.name, r.person, r.look) for r in rods(study, table)
    ]


def test_a_person_who_reads_more_or_scatters_more_is_named():
    x = readings(6)
    x[:, 1] += 0.006
    x[:, 0] -= 0.006
    assert looked_at(x)[0] == [
        ("anna", "reads less than the others"), ("ben", "reads more than the others"),
    ]
    x = readings(2)
    x[:, 2] += np.random.default_rng(3).normal(0, 0.01, (10, 3))
    assert ("kim", "scatters more than the others") in looked_at(x)[0]


def test_a_slip_and_a_rod_that_one_person_reads_otherwise_are_named():
    x = readings(4)
    x[3, 1, 2] += 0.05
    assert looked_at(x)[1][0] == ("4", "ben", "readings too far apart")
    x = readings(5)
    x[6, 0] -= 0.02
    assert looked_at(x)[1] == [("7", "anna", "reads less than on other rods")]


def test_one_reading_beside_equal_ones_is_named_and_equal_ones_are_not():
    x = np.full((4, 2, 2), 30.1) + np.arange(4)[:, None, None]
    assert looked_at(x) == ([], [])
    x[2, 1, 0] += 0.3
    assert looked_at(x)[1][0] == ("3", "ben", "readings too far apart")


def test_the_amounts_are_those_of_the_readings():
    study = houf_berman()
    x = study.array()
    found = persons(study, anova(study))
    assert [each.offset_mm for each in found] == pytest.approx(
        list(x.mean(axis=(0, 2)) - x.mean())
    )
    assert [each.sd_mm for each in found] == pytest.approx(
        [np.sqrt(x[:, k].var(axis=1, ddof=1).mean()) for k in range(3)]
    )


@pytest.mark.parametrize("shape", [(10, 3, 3), (8, 1, 3), (5, 2, 2)])
def test_a_study_with_nothing_wrong_seldom_names_any(shape):
    """Each kind is held to 5 %; Bonferroni's bound is on the safe side where tests depend."""
    found = [looked_at(readings(100 + seed, shape)) for seed in range(300)]
    error = 3 * np.sqrt(CHANCE * (1 - CHANCE) / len(found))
    for wrong in ("reads more than the others", "scatters more", "too far apart", "on other rods"):
        named = sum(
            any(wrong in each[-1] for each in (*people, *of_rods)) for people, of_rods in found
        )
        assert named / len(found) <= CHANCE + error
