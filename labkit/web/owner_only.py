"""Files that nobody but their owner can read, each written whole or not at all."""

from __future__ import annotations

import os
import secrets
import shutil
from io import BytesIO
from pathlib import Path
from typing import BinaryIO


def put(path: Path, content: bytes | BinaryIO) -> None:
    """Write a file, in place of what stood there."""
    new = path.with_name(f"{path.name}.{secrets.token_hex(4)}.new")
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "wb") as out:
            shutil.copyfileobj(BytesIO(content) if isinstance(content, bytes) else content, out)
        new.replace(path)
    except BaseException:
        new.unlink(missing_ok=True)
        raise
