"""Graded connector rod sets for two-piece mandibular advancement appliances.

Three functions for notebooks and scripts, loaded when they are first used:

- `labkit.lengths(rx)`: the graded lengths of a prescription, as frozen values;
- `labkit.rod(template, "31.4")`: one rod as a `cadquery.Workplane`;
- `labkit.make(rx, out)`: the finished set in a folder.

A prescription `rx` is the path of a file, its text, or its tables as a dictionary.
"""

import time
from importlib import import_module
from typing import Any

__version__ = "1.6.0"
#: When this process loaded the program, seconds since 1970.
LOADED_AT = time.time()
#: Function → where it stands; `import labkit` alone loads none of it.
_FUNCTIONS = {
    "lengths": "labkit.workflow.notebook",
    "make": "labkit.workflow.notebook",
    "rod": "labkit.solids.workplane",
}
__all__ = ["__version__", "lengths", "make", "rod"]


def __getattr__(name: str) -> Any:
    if name not in _FUNCTIONS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_FUNCTIONS[name]), name)


def __dir__() -> list[str]:
    return [*globals(), *_FUNCTIONS]
