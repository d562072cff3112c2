"""`python -m labkit`: the same as the command `labkit`."""

from labkit.cli.main import main

if __name__ == "__main__":
    main()
