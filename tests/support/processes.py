"""An invented calibrated process."""

from __future__ import annotations

import datetime
from dataclasses import replace

from labkit.catalog.processes import processes
from labkit.core.rod.calibration import Calibration, FittedOffset

CALIBRATION = Calibration(
    date=datetime.date(2031, 5, 2), by="anna", instrument="micrometer M-3", coupons=24, lengths=4,
    shortest_mm=20.0, longest_mm=50.0, length_scale=1.003, length_scale_u=0.000249,
    length_offset_mm=0.0172, length_offset_u_mm=0.00914, correlation=-0.95, residual_sd_mm=0.0136,
    residual_dof=22, bore=FittedOffset(0.09, 0.00232, 0.0114, 23), pin=None, ball=None,
    base="example-resin", source="coupons.csv", source_sha256="ab" * 32,
)
_BASE = processes()["example-resin"]
CALIBRATED = replace(
    _BASE,
    name="resin-may",
    compensation=replace(
        _BASE.compensation, length_scale=1.003, length_offset_mm=0.0172, bore_offset_mm=0.09
    ),
    calibration=CALIBRATION,
)
