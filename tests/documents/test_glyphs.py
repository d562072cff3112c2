"""The documents' fonts as we read them, against a font library."""

from __future__ import annotations

import pytest
from fontTools.ttLib import TTFont

from labkit.documents.glyphs import BOLD, FONTS, advances, fonts_dir


@pytest.mark.parametrize("font", [*FONTS, BOLD])
def test_every_character_is_as_wide_as_a_font_library_says(font):
    with TTFont(fonts_dir() / f"{font}.ttf", lazy=True) as opened:
        em, widths = opened["head"].unitsPerEm, opened["hmtx"].metrics
        assert advances(font) == {
            code: widths[glyph][0] / em for code, glyph in opened.getBestCmap().items()
        }
