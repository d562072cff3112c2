"""The command line: parse, call one use case, print."""

import os

# No command uses plugins of pydantic; looking for them costs every command a share of its start.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
