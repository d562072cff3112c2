"""Events and their chain: each one carries the digest of the one before."""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import Any

from labkit.errors import InputError

#: Digest that the first event names as the one before it.
GENESIS = "0" * 64
CASE_CHARACTERS = 40
OPERATOR_CHARACTERS = 32
#: Who records something: operator code, and when, in the time zone whose days count.
Who = tuple[str, datetime.datetime]


class Kind(StrEnum):
    """What an event tells."""

    CASE_OPENED = "case-opened"
    PRESCRIPTION = "prescription"
    SET_STARTED = "set-started"
    SET_MADE = "set-made"
    SET_ABANDONED = "set-abandoned"
    ORDER = "order"
    ORDER_WITHDRAWN = "order-withdrawn"
    TRIAL_FIT = "trial-fit"
    TRIAL_ACCEPTED = "trial-accepted"
    TRIAL_WITHDRAWN = "trial-withdrawn"
    READING = "reading"
    RELEASE = "release"
    ROD_STATE = "rod-state"
    PAPERS_PRINTED = "papers-printed"
    USE_AS_IS = "use-as-is"
    BUILD = "build"
    BUILD_FAILED = "build-failed"
    CORRECTION = "correction"


@dataclass(frozen=True)
class Head:
    """Where the chain ends.

    Args:
        digest: Digest of the last one, `GENESIS` where there is none.
    """

    count: int
    digest: str


@dataclass(frozen=True)
class Event:
    """One entry of the ledger; what it says is never changed.

    Args:
        seq: Number in the chain, from 1.
        at: When, UTC, such as 2031-03-14T09:26:53.589793Z.
        body_json: The rest, as canonical JSON of an object.
        corrects: Number of the event that it corrects, None if it corrects none.
        previous: Digest of the event before.
        digest: SHA-256 over canonical JSON of all of the above, hexadecimal.
    """

    seq: int
    at: str
    by: str
    kind: Kind
    case: str
    body_json: str
    corrects: int | None
    previous: str
    digest: str

    @cached_property
    def body(self) -> dict[str, Any]:
        """The body, read once and to be left as it is; what counts is the text that it is from."""
        content: dict[str, Any] = json.loads(self.body_json)
        return content


@dataclass(frozen=True)
class Entry:
    """What is to be recorded, before it has a place in the chain.

    Args:
        body: The rest, as JSON content.
        at: When, with a time zone.
        corrects: Number of the event that it corrects, None if it corrects none.
    """

    kind: Kind
    case: str
    body: Mapping[str, Any]
    by: str
    at: datetime.datetime
    corrects: int | None = None


def canonical_json(value: object) -> str:
    """Write JSON content in its one canonical form: sorted keys, no spaces, UTF-8.

    Args:
        value: Tables with text keys, lists, text, finite numbers, true, false, null.

    Returns:
        The text; reading it gives the same content, and writing that the same text.

    Raises:
        InputError: The content is not JSON, or would be read back as something else.

    >>> canonical_json({"b": [1.5, None], "a": "ä"})
    '{"a":"ä","b":[1.5,null]}'
    """
    try:
        text = written(value)
        text.encode("utf-8")
        stable = written(json.loads(text)) == text
    except (ValueError, TypeError, RecursionError) as error:
        raise InputError(
            f"this content cannot be kept as JSON: {error}; allowed are tables with text keys, "
            "lists, Unicode text and finite numbers"
        ) from error
    if not stable:
        raise InputError(
            "this content cannot be kept as JSON: it has keys that are not text or appear twice"
        )
    return text


#: Writes JSON content in its one canonical form, unchecked.
written = json.JSONEncoder(
    sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":")
).encode


def sha256_of_text(text: str) -> str:
    """Give the SHA-256 of a text in UTF-8, hexadecimal.

    >>> sha256_of_text("abc")[:16]
    'ba7816bf8f01cfea'

    Source: FIPS 180-2, appendix B.1 (the digest of "abc").
    """
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def digest_of(event: Event) -> str:
    """Work out the digest that an event must bear.

    Formula: SHA-256 over canonical JSON of at, body, by, case, corrects, kind, previous, seq.

    Args:
        event: The event; its own digest does not count.

    Returns:
        64 hexadecimal digits.
    """
    return sha256_of_text(_canonical(event))


def line_of(event: Event) -> str:
    """Write an event as one line of an export, without the line's end: canonical JSON."""
    return _canonical(event, digest=event.digest)


def _canonical(event: Event, **more: str) -> str:
    """Write an event in canonical JSON around its body, which is written so already."""
    after = {
        "by": event.by,
        "case": event.case,
        "corrects": event.corrects,
        "kind": str(event.kind),
        "previous": event.previous,
        "seq": event.seq,
        **more,
    }
    return f'{{"at":{written(event.at)},"body":{event.body_json},{written(after)[1:]}'


def next_event(head: Head, entry: Entry) -> Event:
    """Put an entry at the end of a chain.

    Args:
        head: Where the chain ends.

    Returns:
        The event with number, time as text and digest.

    Raises:
        InputError: Case number, operator code, time or body cannot be recorded.
    """
    bare = Event(
        seq=head.count + 1,
        at=utc_text(entry.at),
        by=checked_operator(entry.by),
        kind=Kind(entry.kind),
        case=checked_case(entry.case),
        body_json=canonical_json(dict(entry.body)),
        corrects=entry.corrects,
        previous=head.digest,
        digest="",
    )
    return with_digest(bare)


def with_digest(event: Event) -> Event:
    """Give the same event with the digest that it must bear."""
    return replace(event, digest=digest_of(event))


def utc_text(at: datetime.datetime) -> str:
    """Write a moment as UTC text of fixed width, which sorts as time does.

    Raises:
        InputError: The moment has no time zone.

    >>> utc_text(datetime.datetime(2031, 3, 14, 9, 26, 53, 589793, datetime.UTC))
    '2031-03-14T09:26:53.589793Z'
    """
    if at.tzinfo is None:
        raise InputError(
            f"the moment {at} has no time zone; the ledger keeps UTC", field="at", value=at
        )
    return at.astimezone(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ").zfill(27)


def checked_case(text: str) -> str:
    """Check a case number: printable, no space at its ends, not too long.

    Raises:
        InputError: It is none.
    """
    return _checked(text, "case number", "case", CASE_CHARACTERS)


def checked_operator(text: str) -> str:
    """Check an operator code: printable, no space at its ends, not too long.

    Raises:
        InputError: It is none.
    """
    return _checked(text, "operator code", "by", OPERATOR_CHARACTERS)


def _checked(text: str, what: str, field: str, most: int) -> str:
    if text and text == text.strip() and text.isprintable() and len(text) <= most:
        return text
    raise InputError(
        f"{text!r} is not {'an' if what[0] in 'aeiou' else 'a'} {what}; allowed is printable "
        f"text of 1 to {most} characters without spaces at its ends",
        field=field,
        value=text,
    )
