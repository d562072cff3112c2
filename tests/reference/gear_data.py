"""GEAR.DAT: 100 gear diameters in 10 batches of 10, inch.

Source: NIST, GEAR.DAT of the NIST/SEMATECH e-Handbook of Statistical Methods (a work of the United
States government, public domain). Rows are batches.
"""

from __future__ import annotations

BATCHES = """
1.006 0.996 0.998 1.000 0.992 0.993 1.002 0.999 0.994 1.000
0.998 1.006 1.000 1.002 0.997 0.998 0.996 1.000 1.006 0.988
0.991 0.987 0.997 0.999 0.995 0.994 1.000 0.999 0.996 0.996
1.005 1.002 0.994 1.000 0.995 0.994 0.998 0.996 1.002 0.996
0.998 0.998 0.982 0.990 1.002 0.984 0.996 0.993 0.980 0.996
1.009 1.013 1.009 0.997 0.988 1.002 0.995 0.998 0.981 0.996
0.990 1.004 0.996 1.001 0.998 1.000 1.018 1.010 0.996 1.002
0.998 1.000 1.006 1.000 1.002 0.996 0.998 0.996 1.002 1.006
1.002 0.998 0.996 0.995 0.996 1.004 1.004 0.998 0.999 0.991
0.991 0.995 0.984 0.994 0.997 0.997 0.991 0.998 1.004 0.997
"""
ROWS = [[float(cell) for cell in line.split()] for line in BATCHES.split("\n") if line]
VALUES = [value for row in ROWS for value in row]
BATCH = [number for number, row in enumerate(ROWS, 1) for _ in row]
