"""The command `labkit` without papers and pictures, for tests about the record alone.

Usage: python -m tests.support.without_papers extra CASE ...
"""

from __future__ import annotations

from labkit.workflow.sets import make
from tests.support.after_story import then

if __name__ in ("__main__", "__mp_main__"):  # the command, or one of its workers
    make.write_papers = lambda *_: ()
if __name__ == "__main__":
    then()
