"""The pages of the guide, which come with the program."""

from __future__ import annotations

from pathlib import Path

import labkit
from labkit.core.form.words import nearest
from labkit.errors import InputError

#: In the order in which a newcomer reads them.
TOPICS = (
    "first-set",
    "prescription",
    "set-and-papers",
    "build",
    "many",
    "trial-and-rods",
    "clinic-sheet",
    "serve",
    "record",
    "inspect-and-release",
    "scans",
    "process",
    "own-templates",
    "python",
    "methods",
    "words",
    "cautions",
)


def page(topic: str) -> str:
    """Give a page of the guide, Markdown.

    >>> page("words").splitlines()[0]
    '# Words'

    Raises:
        InputError: There is no such topic.
    """
    if topic not in TOPICS:
        near = nearest(topic, TOPICS)
        hint = f"did you mean `{near}`?" if near else f"topics are {', '.join(TOPICS)}"
        raise InputError(
            f"`{topic}` is not a topic of the guide; {hint}", field="TOPIC", value=topic
        )
    place = Path(labkit.__file__).resolve().parent / "guide" / f"{topic}.md"
    try:
        return place.read_text("utf-8")
    except OSError as error:
        raise InputError(
            f"the page {place} cannot be read ({error.strerror}); install labkit again"
        ) from error


def title(topic: str) -> str:
    """Give the title of a page.

    >>> title("python")
    'From Python'
    """
    return page(topic).splitlines()[0].removeprefix("# ")
