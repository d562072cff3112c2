"""What holds for every test."""

from __future__ import annotations

import gc

# A worker keeps many sets, pages and solids alive; walked seldom, they cost a tenth less time.
gc.set_threshold(100_000, 50, 1000)
