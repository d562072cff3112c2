"""Other processors, as far as one machine can play them: numeric kernels that round otherwise."""

from __future__ import annotations

import functools
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
#: Kernels of the linear algebra library; it takes those that the processor has.
KERNELS = ("Prescott", "Nehalem", "Haswell", "Zen", "SkylakeX", "ARMV8", "NEOVERSEN1", "VORTEX")
#: Prints what matrix products, solvers and functions give in this process, digested.
FINGERPRINT = """
import hashlib, numpy as np
grid = np.sin(np.arange(1.0, 3601.0)).reshape(60, 60) + 3.0 * np.eye(60)
found = (grid @ grid.T, np.linalg.solve(grid, grid[0]), np.tan(grid), np.exp(grid), np.sin(grid))
print(hashlib.sha256(b"".join(each.tobytes() for each in found)).hexdigest())
"""
#: Prints the instruction sets beyond the least one that numpy uses here.
FEATURES = """
from numpy._core import _multiarray_umath as parts
print(" ".join(name for name in parts.__cpu_dispatch__ if parts.__cpu_features__.get(name)))
"""


def python(arguments: list[str], settings: dict[str, str]) -> subprocess.CompletedProcess[bytes]:
    """Run Python in a process of its own, with settings of the numeric libraries."""
    own = {name: text for name, text in os.environ.items() if name not in SETTINGS}
    return subprocess.run(
        [sys.executable, *arguments],
        # Without kept bodies of templates: each computes its own.
        cwd=ROOT, env={**own, "PYTHONPATH": str(ROOT), "LABKIT_CACHE": "", **settings},
        capture_output=True, check=False,
    )


SETTINGS = ("OPENBLAS_CORETYPE", "NPY_DISABLE_CPU_FEATURES")


@functools.cache
def processors() -> tuple[dict[str, str], ...]:
    """List settings under which this machine computes differently, each pair of them.

    Returns:
        At most three: numpy without its faster instructions, the oldest and the newest kernel;
        fewer where the processor or the libraries offer fewer.
    """
    features = python(["-c", FEATURES], {}).stdout.decode().strip()
    kernels = [{"OPENBLAS_CORETYPE": name} for name in KERNELS]
    bare = [{"NPY_DISABLE_CPU_FEATURES": features}] if features else []
    found: dict[bytes, dict[str, str]] = {}
    for settings in (*bare, *kernels):
        done = python(["-c", FINGERPRINT], settings)
        if done.returncode == 0:
            found.setdefault(done.stdout, settings)
    all_of_them = tuple(found.values())
    return (*all_of_them[:2], *all_of_them[2:][-1:])
