"""Forms of label that a scan is held against."""

from __future__ import annotations

from dataclasses import replace

from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import rod_templates
from labkit.exports.scan.label import _forms


def test_every_number_of_digits_between_shortest_and_longest_is_tried():
    template = replace(rod_templates()["eye-eye-flat"], shortest_mm=8.0, longest_mm=105.0)
    texts = {
        "".join(glyph.char for glyph in form.glyphs if glyph.char in "8.")
        for form in _forms(template, load_lettering())
    }
    assert texts >= {"8.8", "88.8", "888.8"}
