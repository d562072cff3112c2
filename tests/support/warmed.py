"""What a command uses, used once where it is loaded: its children find it ready.

All but the typesetter, whose threads a child would wait for.
"""

from __future__ import annotations

import gc
import tempfile
from pathlib import Path
from unittest.mock import patch

import tests.conftest  # noqa: F401  the tests' day
from labkit.workflow.sets import make as making
from tests.support.making import ONE, make, recorder_for

with (
    tempfile.TemporaryDirectory() as _folder,
    patch.object(making, "write_papers", lambda *_: ()),
    recorder_for(Path(_folder, "ledger.sqlite")) as _recorder,
):
    make(ONE, Path(_folder, "sets"), _recorder)

gc.freeze()
