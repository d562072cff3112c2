"""`output_examples/` is what the program writes now."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
from matplotlib.image import imread

from tests.documents.pdfs import text_of
from tests.support.write_examples import EXAMPLES, write_examples

#: Pictures of pages and charts depend on fonts' hinting; how a picture is packed, and so its sum,
#: on the machine's zlib.
MACHINE_DEPENDS = (".png", "SHA256SUMS")


def test_output_examples_are_what_the_program_writes(tmp_path):
    write_examples(tmp_path)
    ours, theirs = files_of(EXAMPLES), files_of(tmp_path)
    assert list(ours) == list(theirs)
    (certificate,) = (name for name in ours if "-certificate-" in name)
    differing = [
        name
        for name in ours
        if not name.endswith(MACHINE_DEPENDS)
        and name != certificate
        and ours[name].read_bytes() != theirs[name].read_bytes()
    ]
    assert differing == []
    pictures = [name for name in ours if name.startswith("demo/") and name.endswith(".png")]
    assert len(pictures) > 10
    for name in pictures:
        assert np.array_equal(imread(ours[name]), imread(theirs[name])), name
    assert without_digest(ours[certificate]) == without_digest(theirs[certificate])


def without_digest(certificate: Path) -> str:
    """Text without the entry's digest, which covers the set's folder: a new one each time."""
    text = "".join(text_of(certificate.read_bytes()).split())
    left, count = re.subn(r"[0-9a-f]{64}", "", text)
    assert count == 1
    return left


def files_of(folder: Path) -> dict[str, Path]:
    return {
        path.relative_to(folder).as_posix(): path
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
