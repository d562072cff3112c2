"""Published readings of gauge studies, as printed."""

from __future__ import annotations

from decimal import Decimal

from labkit.qa.gauge.study import Study

#: R. K. Houf, D. B. Berman, Statistical analysis of power module thermal test equipment
#: performance, IEEE Trans. Components, Hybrids, Manuf. Technol. 11 (1988) 516; as printed in
#: B. Vidakovic, Statistics for Bioengineering Sciences, p. 452, and in jasp-stats/
#: jasp-verification-project, Datasets/GaugeRR.csv. Parts × operators × trials.
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

#: Gasket thickness, SAS/QC User's Guide, appendix on gauge repeatability and reproducibility
#: (patterned after ASQC/AIAG 1990). Operators × parts × trials.
GASKETS = """
0.65 0.60|1.00 1.00|0.85 0.80|0.85 0.95|0.55 0.45|1.00 1.00|0.95 0.95|0.85 0.80|1.00 1.00|0.60 0.70
0.55 0.55|1.05 0.95|0.80 0.75|0.80 0.75|0.40 0.40|1.00 1.05|0.95 0.90|0.75 0.70|1.00 0.95|0.55 0.50
0.50 0.55|1.05 1.00|0.80 0.80|0.80 0.80|0.45 0.50|1.00 1.05|0.95 0.95|0.80 0.80|1.05 1.05|0.85 0.80
"""

#: S. Gadim, A. Doniavi (2018), 30 yarns measured 3 times without operators; jasp-stats/
#: jasp-verification-project, Datasets/GaugeRR2.csv.
YARNS = """
1.6245 1.6225 1.6278|1.7277 1.7254 1.7307|1.6847 1.6828 1.6874|1.8249 1.8226 1.8273
1.7114 1.7054 1.716|1.8072 1.8006 1.816|1.7681 1.759 1.7677|1.865 1.8561 1.8737
1.667 1.6579 1.67|1.8546 1.852 1.8583|1.7948 1.7925 1.7976|1.9814 1.9799 1.9846
1.9046 1.9022 1.9081|2.0546 2.052 2.0583|1.9654 1.9594 1.97|2.157 2.1479 2.16
1.8684 1.8624 1.873|2.0548 2.0526 2.0575|1.8109 1.8084 1.8135|1.8896 1.8812 1.8901
1.884 1.8749 1.887|1.9694 1.9634 1.974|1.7645 1.7629 1.7675|1.913 1.9039 1.9159
1.9415 1.9434 1.95|1.8774 1.8714 1.882|1.8737 1.8713 1.8769|1.9076 1.8992 1.9081
1.955 1.9461 1.9637|1.9046 1.9022 1.9081
"""

#: NIST Statistical Reference Datasets, SIRSTV.DAT: resistivity of silicon by five instruments.
SIRSTV = """
196.3052 196.1240 196.1890 196.2569 196.3403|196.3042 196.3825 196.1669 196.3257 196.0422
196.1303 196.2005 196.2889 196.0343 196.1811|196.2795 196.1748 196.1494 196.1485 195.9885
196.2119 196.1051 196.1850 196.0052 196.2090
"""


def houf_berman() -> Study:
    return crossed([_cells(line) for line in _lines(HOUF_BERMAN)], ("A", "B", "C"))


def gaskets() -> Study:
    by_operator = [_cells(line) for line in _lines(GASKETS)]
    return crossed(list(zip(*by_operator, strict=True)), ("G", "J", "Ro"))


def yarns() -> Study:
    return crossed([[cell] for line in _lines(YARNS) for cell in _cells(line)], ("",))


def sirstv() -> Study:
    return crossed([[cell] for line in _lines(SIRSTV) for cell in _cells(line)], ("",))


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
