"""Files of coupons as a lab would write them, from a machine whose distortion is known."""

from __future__ import annotations

import numpy as np

from labkit.core.rod.rods import Compensation

LENGTHS = (20, 30, 40, 50)


def lengths_made(built, random, *, slope=0.997, intercept=-0.02, sd=0.012):
    """What a machine makes of built lengths: stretched, shifted and scattered."""
    built = np.asarray(built, float)
    return intercept + slope * built + random.normal(0, sd, built.shape)


def coupon_csv(present=None, *, seed=1, each=6, lengths=LENGTHS, decimals=4, **machine):
    """Write a file of coupons: name, nominal, measured length."""
    present, random = present or Compensation(), np.random.default_rng(seed)
    nominal = np.repeat(np.asarray(lengths, float), each)
    built = present.length_scale * nominal + present.length_offset_mm
    made = lengths_made(built, random, **machine)
    rows = [
        f"{number},{drawn:g},{measured:.{decimals}f}"
        for number, (drawn, measured) in enumerate(zip(nominal, made, strict=True), 1)
    ]
    return "\n".join(("coupon,nominal,measured", *rows, "")).encode()
