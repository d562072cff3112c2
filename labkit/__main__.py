"""The command `labkit`, and `python -m labkit`: begins a run."""

import sys


def start() -> None:
    """Run the command line; Ctrl-C while its first modules load says that nothing was done."""
    try:
        from labkit.cli.main import main
    except KeyboardInterrupt:
        sys.stderr.write("labkit: stopped by Ctrl-C; nothing was delivered or recorded\n")
        raise SystemExit(130) from None
    main()


if __name__ == "__main__":
    start()
