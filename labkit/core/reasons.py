"""Reasons that people give, which the record keeps: they have words."""

from __future__ import annotations

from labkit.errors import InputError


def has_words(text: str) -> bool:
    """Tell whether a text says anything.

    >>> has_words("lost on a journey"), has_words("."), has_words("3")
    (True, False, False)
    """
    return any(map(str.isalpha, text))


def check_reason(reason: str, say: str, field: str = "reason") -> None:
    """Insist on a reason.

    Args:
        say: What is to be said, and where, such as "why with --reason".

    Raises:
        InputError: None is given, or one without words.
    """
    if not reason.strip():
        raise InputError(f"no reason is given; say {say}", field=field)
    if not has_words(reason):
        raise InputError(
            f'the reason "{reason.strip()}" has no words; say {say}', field=field, value=reason
        )
