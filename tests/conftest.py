"""What holds for every test."""

from __future__ import annotations

import gc
import os
import sys

from platformdirs import user_cache_path

from labkit.cli import clock
from tests.support.after_story import TODAY

# A worker keeps many sets, pages and solids alive; walked seldom, they cost a tenth less time.
gc.set_threshold(100_000, 50, 1000)

# Bodies of templates are kept apart from the user's own, for all workers and their commands: in a
# folder that nobody else writes to.
os.environ["LABKIT_CACHE"] = str(user_cache_path("labkit-tests", appauthor=False))

# Commands are started as processes of their own hundreds of times: they are compiled once, not each
# time, even where the surroundings ask for nothing compiled to be kept.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Commands go on after the invented stories: the record takes no entry from before its last one.
clock.now = lambda: TODAY

#: Needs a library that no test has, and is run by the benchmark of rods alone.
collect_ignore = ["benchmarks/build123d_rods.py"]

#: What lasts longest begins first, so that no worker waits for the other at the end.
LONGEST_FIRST = (
    "tests/year/", "test_strict_types_hold", "test_output_examples_are", "[set-and-papers]",
)


def pytest_collection_modifyitems(items):
    """Put the longest tests in front; the rest stays in its order."""
    items.sort(key=lambda item: not any(name in item.nodeid for name in LONGEST_FIRST))
