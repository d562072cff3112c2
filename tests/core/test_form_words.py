"""How a value of a file is shown in a sentence."""

from __future__ import annotations

import pytest

from labkit.core.form.words import SHOWN_CHARACTERS, shown


@pytest.mark.parametrize("length", [SHOWN_CHARACTERS - 2, SHOWN_CHARACTERS - 1, 500])
def test_a_long_value_is_cut_to_what_a_sentence_has_room_for(length):
    """Quotes count; what is cut ends with an ellipsis and is exactly as long as may be shown."""
    text = "x" * length
    whole = f'"{text}"'
    if len(whole) <= SHOWN_CHARACTERS:
        assert shown(text) == whole
    else:
        assert shown(text) == whole[: SHOWN_CHARACTERS - 1] + "…"
        assert len(shown(text)) == SHOWN_CHARACTERS
