"""Readings of gauge studies: published ones as printed, and an invented study."""

from __future__ import annotations

from decimal import Decimal

import numpy as np

from labkit.qa.gauge.study import Study

#: R. K. Houf, D. B. Berman, Statistical analysis of power module thermal test equipment
#: performance, IEEE Trans. Components, Hybrids, Manuf. Technol. 11 (1988) 516; as printed in
#: B. Vidakovic, Statistics for Bioengineering Sciences, Springer 2011, p. 452. Parts × operators ×
#: trials.
HOUF_BERMAN = """
37 38 37 | 41 41 40 | 41 42 41
42 41 43 | 42 42 42 | 43 42 43
30 31 31 | 31 31 31 | 29 30 28
42 43 42 | 43 43 43 | 42 42 42
28 30 29 | 29 30 29 | 31 29 29
42 42 43 | 45 45 45 | 44 46 45
25 26 27 | 28 28 30 | 29 27 27
40 40 40 | 43 42 42 | 43 43 41
25 25 25 | 27 29 28 | 26 26 26
35 34 34 | 35 35 34 | 35 34 35
"""

#: NIST Statistical Reference Datasets, SIRSTV.DAT: resistivity of silicon by five instruments.
SIRSTV = """
196.3052 196.1240 196.1890 196.2569 196.3403|196.3042 196.3825 196.1669 196.3257 196.0422
196.1303 196.2005 196.2889 196.0343 196.1811|196.2795 196.1748 196.1494 196.1485 195.9885
196.2119 196.1051 196.1850 196.0052 196.2090
"""


def houf_berman() -> Study:
    return crossed([_cells(line) for line in _lines(HOUF_BERMAN)], ("A", "B", "C"))


def sirstv() -> Study:
    return crossed([[cell] for line in _lines(SIRSTV) for cell in _cells(line)], ("",))


def invented() -> Study:
    """Ten rods that differ by 0.2 mm, three persons, two readings, drawn and rounded to 0.001."""
    rng = np.random.default_rng(1990)
    x = 30 + rng.normal(0, 0.2, (10, 1, 1)) + rng.normal(0, 0.03, (1, 3, 1))
    x = x + rng.normal(0, 0.05, (10, 3, 1)) + rng.normal(0, 0.04, (10, 3, 2))
    return crossed(np.round(x, 3).tolist(), ("anna", "ben", "kim"))


def crossed(values, operators) -> Study:
    """Make a study of values given part by part, within it operator by operator."""
    table = tuple(
        tuple(tuple(Decimal(str(v)) for v in cell) for cell in part) for part in values
    )
    return Study(tuple(str(k + 1) for k in range(len(table))), tuple(operators), table)


def _lines(text):
    return text.strip().splitlines()


def _cells(line):
    return [cell.split() for cell in line.split("|")]
