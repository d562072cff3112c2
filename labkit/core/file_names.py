"""Which names of files stay where they belong."""

from __future__ import annotations


def is_inside(name: str) -> bool:
    """Tell whether a name with slashes stays in the folder that it is relative to.

    Returns:
        False for absolute names, steps upwards, drives and streams of Windows.

    >>> [is_inside(name) for name in ("stl/a.stl", "../a", "/a", "a/../../b", "C:/a", "")]
    [True, False, False, False, False, False]
    """
    parts = name.split("/")
    return not any(part in ("", ".", "..") or ":" in part or "\\" in part for part in parts)
