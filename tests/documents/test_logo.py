"""A logo that cannot be printed is told when the profile is read."""

from __future__ import annotations

import os
import struct
import zlib

import pytest

from labkit.errors import InputError
from tests.documents.test_profiles import PNG, read


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (lambda raw: raw[:-20], "is incomplete or damaged; export it again"),
        (lambda raw: raw[:40], "is incomplete or damaged; export it again"),
        (lambda raw: raw.replace(b"IDAT", b"IDAX"), "is incomplete or damaged; export it again"),
        (lambda raw: header_of(raw, 40_000, 40_000),
         "has 40000 × 40000 pixels; allowed are 16 million of them"),
        (None, "is not a file; name a PNG or SVG beside the profile"),
    ],
)
def test_a_png_that_cannot_be_printed_is_told_before_anything_is_made(tmp_path, spoil, sentence):
    if spoil is None:
        os.mkfifo(tmp_path / "logo.png")  # whoever opened it would wait without end
    else:
        (tmp_path / "logo.png").write_bytes(spoil(PNG))
    (tmp_path / "profile.toml").write_text('schema = 1\nlogo = "logo.png"\n', "utf-8")
    with pytest.raises(InputError, match=f'logo = "logo.png" {sentence}'):
        read(tmp_path / "profile.toml")


def header_of(raw: bytes, width: int, height: int) -> bytes:
    """Give a PNG another size in its header, with a right sum."""
    header = b"IHDR" + struct.pack(">II", width, height) + raw[24:29]
    return raw[:12] + header + struct.pack(">I", zlib.crc32(header)) + raw[33:]
