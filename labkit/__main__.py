"""The command `labkit`, and `python -m labkit`: begins a run."""

import os
import sys

from labkit.collecting import collect_seldom

#: Matrices are of 6 × 6: threads for them take longer to start than they save.
_NUMERIC_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")


def start() -> None:
    """Run the command line; Ctrl-C while its first modules load says that nothing was done."""
    collect_seldom()
    for name in _NUMERIC_THREADS:
        os.environ.setdefault(name, "1")
    try:
        from labkit.cli.main import main
    except KeyboardInterrupt:
        sys.stderr.write("labkit: stopped by Ctrl-C; nothing was delivered or recorded\n")
        raise SystemExit(130) from None
    main()


if __name__ == "__main__":
    start()
