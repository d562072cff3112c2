"""The certificate of a release, printed from the record alone."""

from __future__ import annotations

from pathlib import Path

from labkit.catalog.profiles import profile_of
from labkit.documents import certificate
from labkit.documents.render import compile_pdf
from labkit.documents.standing import must_say
from labkit.errors import InputError, RefusedError
from labkit.exports.write.put import put_new, sweep
from labkit.ledger.before_acts import look_at_case
from labkit.ledger.events import Event, Kind
from labkit.ledger.identity import identity_of
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredSet
from labkit.workflow.inspection.judged_set import set_to_judge
from labkit.workflow.inspection.release_state import RELEASED, release_now, why_void
from labkit.workflow.record.lookup import need_case
from labkit.workflow.sets.standing import with_standing


def certificate_pdf(
    reader: Reader, stored: StoredSet, event: Event, void: tuple[str, ...] = ()
) -> bytes:
    """Set the certificate of a release, with what holds now of its rods on top.

    Returns:
        The PDF; the same bytes for the same event, version of the program and range that holds.

    Raises:
        InputError: The lab's own template cannot be set.
    """
    spec = stored.content
    shown = with_standing(spec, reader) if spec else spec
    if must_say(shown):  # else it is the same paper whatever was recorded since
        spec = shown
    release = certificate.Release(
        set_name=stored.name, seq=event.seq, at=event.at, by=event.by, digest=event.digest,
        note=event.body.get("note") or "", basis=event.body["basis"],
        ledger=identity_of(reader), void=void,
    )
    return compile_pdf(
        certificate.TEMPLATE, certificate.facts(spec, release), profile_of(spec),
        certificate.pictures(release),
    )


def certificate_name(stored: StoredSet, event: Event, void: tuple[str, ...] = ()) -> str:
    """Name the file of a certificate: set and number of the event, so that each has its own."""
    return f"{stored.name}-certificate-{event.seq}{'-void' if void else ''}.pdf"


def certified(
    reader: Reader, case: str, set_name: str | None, seq: int | None
) -> tuple[StoredSet, Event, tuple[str, ...]]:
    """Find the release whose certificate is asked for.

    Args:
        set_name: The set; None for the last one made that is no replacement.
        seq: Number of a release, also of one that does not stand any more; None for the one
            that stands.

    Returns:
        The set, the event that releases it, and why that does not stand any more: nothing where
        it does.

    Raises:
        InputError: There is no such case, set or release.
        RefusedError: No release stands.
        LedgerError: The record is not as it was written.
    """
    look_at_case(reader, case, whole_chain=True)
    if seq is not None:
        need_case(reader, case)
        stored, event = _numbered(reader, case, seq)
        return stored, event, why_void(reader, stored, event)
    stored = set_to_judge(reader, case, set_name)
    now = release_now(reader, stored)
    if now is not None and now.stands:
        return stored, now.event, ()
    if now is None:
        why = "was never released; release it with `labkit release`"
    elif now.decision != RELEASED:
        why = f"is withheld (entry {now.event.seq}); there is no certificate for it"
    else:
        why = (
            f"was released as entry {now.event.seq}, which is no longer valid: "
            f"{'; '.join(now.why_not)}; release it again with `labkit release`, or print the old "
            f"certificate, marked void, for your files with --entry {now.event.seq}"
        )
    raise RefusedError(f"the set {stored.name} {why}", field="set", value=stored.name)


def _numbered(reader: Reader, case: str, seq: int) -> tuple[StoredSet, Event]:
    event = next((each for each in reader.story(case) if each.seq == seq), None)
    if event is not None and event.kind is Kind.RELEASE:
        stored = reader.set_named(event.body["set"])
        basis = event.body.get("basis") or {}
        if stored is not None and event.body["decision"] == RELEASED and basis.get("rods"):
            return stored, event
    raise InputError(
        f"entry {seq} is not the release of a set of the case {case!r}; `labkit show` numbers its "
        "entries",
        field="event", value=seq,
    )


def write_certificate(
    reader: Reader, found: tuple[StoredSet, Event, tuple[str, ...]], folder: Path
) -> Path:
    """Write the certificate of a release again, never over another file.

    Args:
        found: What `certified` gave.

    Returns:
        The file; one that is there already with the same bytes stays as it is.

    Raises:
        DeliveryError: It cannot be written, or another file has its name.
    """
    target = folder / certificate_name(*found)
    content = certificate_pdf(reader, *found)
    if target.is_file() and target.read_bytes() == content:
        sweep(target)  # of a run that was killed after it had given the file its name
    else:
        put_new(target, content)
    return target


def noted_on(path: Path) -> str:
    """Read the digest of the record that a certificate bears, from its file.

    Raises:
        InputError: It cannot be read, or bears none.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"the certificate {path} cannot be read: {error.strerror or error}; name the PDF of a "
            "certificate of inspection",
            field="certificate", value=str(path),
        ) from error
    digest = certificate.digest_on(content)
    if digest is None:
        raise InputError(
            f"{path} bears no digest of a record; name the PDF of a certificate of inspection as "
            "labkit wrote it, or copy the digest that is printed on it with --head",
            field="certificate", value=str(path),
        )
    return digest
