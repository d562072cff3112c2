"""A simulated printer: coupons printed and measured, calibrated from, then a set of other rods.

The printer shrinks and swells: scale 0.997, +0.04 mm, bores −0.06 mm, pins and balls +0.03 mm,
every size with a scatter of 4 µm. What it prints are the written STL files, as measured on the
facets. The gauge is a micrometer of 0.001 mm steps and 2 µm repeatability.
"""

from __future__ import annotations

import csv
import datetime
import random
from decimal import Decimal

import pytest

from labkit.catalog.processes import processes
from labkit.core.gauging.ways_of_measuring import Method, ways_of
from labkit.core.rod.rods import Hand
from labkit.core.rod.tolerances import linear_tolerance
from labkit.exports.check.measure_mesh import measure_mesh
from labkit.exports.check.stl_reader import read_stl
from labkit.qa.decision.limits import Gauge, rod_limits
from labkit.qa.process.calibration_limits import suspects
from labkit.qa.process.coupon_way import to_length
from labkit.qa.process.coupons import read_coupons
from labkit.workflow.process.calibrate import Asked, CouponFile, calibrate
from labkit.workflow.process.coupons import CouponsAsked, make_coupons
from tests.support.rods import ROWS, rod_of, templates, written

SCALE, OFFSET_MM, SCATTER_MM = 0.997, 0.04, 0.004
ADDED_MM = {"bore": -0.06, "pin": 0.03, "ball": 0.03}
STEP_MM, REPEATS_MM = Decimal("0.001"), 0.002
DAY = datetime.date(2031, 5, 2)
PRINTS = 60
#: Rods of lengths that no coupon has.
LENGTHS = ("24.7", "29.3", "41.1")
QUICK = "crosspin-eye-flat"


def measured(stl, template):
    ends = measure_mesh(read_stl(stl), template).ends
    return ends.length_mm, (ends.lower.diameter_mm, ends.upper.diameter_mm)


class Printed:
    """One rod as it came out."""

    def __init__(self, chance, template, length_mm, diameters_mm):
        self.template, self.chance = template, chance
        self.length_mm = SCALE * length_mm + OFFSET_MM + chance.gauss(0.0, SCATTER_MM)
        self.ends = [
            (end, mm + ADDED_MM[end.surface] + chance.gauss(0.0, SCATTER_MM))
            for end, mm in zip((template.lower, template.upper), diameters_mm, strict=True)
        ]

    def seen(self, true_mm):
        """Read a size on the gauge."""
        return Decimal(true_mm + self.chance.gauss(0.0, REPEATS_MM)).quantize(STEP_MM)

    def reading(self):
        """Read over the fittings, gauge pins as the makers sell them: up to 0.005 mm too small."""
        reach = 0.0
        for end, own in self.ends:
            pin = end.gauge_pin_mm
            if pin is not None:
                actual = float(pin) - self.chance.uniform(0.0, 0.005)
                reach += actual - own / 2
            else:
                reach += own / 2
        return self.seen(self.length_mm + reach)

    def fittings_conform(self):
        """Decide by go and no-go pins, and by the gauge's reading where there is no bore."""
        for end, own in self.ends:
            if end.gauge_pin_mm is None:
                value = sum(self.seen(own) for _ in range(3)) / 3
                if not end.limits.least_mm <= value <= end.limits.most_mm:
                    return False
                continue
            go = float(end.gauge_pin_mm) - self.chance.uniform(0.0, 0.005)
            no_go = float(end.no_go_pin_mm) - self.chance.uniform(0.0, 0.005)
            if not go <= own < no_go:
                return False
        return True


def filled_in(table, folder, template, chance):
    """Print the coupons and write what they measure into their table."""
    rows = list(csv.DictReader(table.read_text().splitlines()))
    for row in rows:
        stl = folder / "stl" / f"coupon_{row['coupon'].rsplit('-', 1)[0]}.stl"
        coupon = Printed(chance, template, *measured(stl, template))
        row["reading"] = str(coupon.reading())
        sizes = {}
        for end, own in coupon.ends:
            sizes.setdefault(end.surface, []).append(coupon.seen(own))
        row |= {kind: str(sum(seen) / len(seen)) for kind, seen in sizes.items()}
    lines = [list(rows[0]), *(list(row.values()) for row in rows)]
    return "".join(",".join(line) + "\n" for line in lines).encode()


@pytest.mark.parametrize(
    "row", [pytest.param(row, marks=[] if row == QUICK else pytest.mark.slow) for row in ROWS]
)
def test_rods_of_a_process_calibrated_from_its_coupons_conform(row, tmp_path):
    template, base, chance = templates()[row], processes()["nominal"], random.Random(row)
    way = next(one for one in ways_of(template) if one.method is Method.OVER)
    asked = CouponsAsked(template, base, DAY)
    table = make_coupons(asked, tmp_path / "coupons", lambda _: None)
    raw = filled_in(table, tmp_path / "coupons", template, chance)
    file = CouponFile(raw, "coupons.csv", to_length(way, template))
    # One file in a hundred asks about a good coupon: measured again it stands, and is kept.
    coupons = read_coupons(file.raw, file.name, file.to_length)
    keep = tuple({one.name for one in suspects(coupons, base.compensation)})
    process = calibrate(
        file, base, Asked("calibrated", DAY, "anna", "micrometer", 0.002, keep=keep)
    ).process
    good = made = 0
    gauge = Gauge(None, 0.003, 1e-4)
    for length in LENGTHS:
        rod = rod_of(row, length, Hand.MINUS_Y)
        sizes = measured(written(rod, tmp_path, process.compensation).stl, template)
        low, high = rod_limits(
            rod.length, linear_tolerance(template.length_tolerance, rod.length), way, gauge
        ).accepted_reading_mm
        for _ in range(PRINTS):
            one = Printed(chance, template, *sizes)
            mean = sum(one.reading() for _ in range(3)) / 3
            good += (low <= mean <= high) + one.fittings_conform()
            made += 2
    assert good >= 0.99 * made
