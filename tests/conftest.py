"""What holds for every test."""

from __future__ import annotations

import gc
import os
import tempfile
from pathlib import Path

from labkit.cli import clock
from tests.support.after_story import TODAY

# A worker keeps many sets, pages and solids alive; walked seldom, they cost a tenth less time.
gc.set_threshold(100_000, 50, 1000)

# Bodies of templates are kept apart from the user's own, for all workers and their commands.
os.environ["LABKIT_CACHE"] = str(Path(tempfile.gettempdir()) / f"labkit-tests-{os.getuid()}")

# Commands go on after the invented stories: the record takes no entry from before its last one.
clock.now = lambda: TODAY
