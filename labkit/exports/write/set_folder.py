"""Lays a finished set down in one rename: whole or absent, and never over another."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import shutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filelock import BaseFileLock, FileLock, Timeout

from labkit.core.file_names import is_inside
from labkit.done import tell_done
from labkit.errors import DeliveryError, InputError
from labkit.locks import only_one
from labkit.units import as_written

SPEC_FILE = "spacer-set.json"
SUMS_FILE = "SHA256SUMS"
#: Characters that are safe in a file name on every system a lab uses.
_UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")
#: Names that Windows keeps for devices.
_RESERVED = re.compile(r"(?i)^(con|prn|aux|nul|com\d|lpt\d)(\..*)?$")
#: Failures that come without a file name: no room, quota, broken disk, disk gone read-only.
_DISK_TROUBLE = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS}


def safe_name(text: str) -> str:
    """Turn a case number into a file name that cannot leave its folder or clash.

    The text itself where it is safe, else its safe characters and six of its SHA-256.

    >>> safe_name("QF-1043")
    'QF-1043'
    >>> safe_name("../../etc")
    'etc-74ccf3'
    """
    clean = _UNSAFE.sub("-", text).strip("-.")
    if clean == text and not _RESERVED.match(clean):
        return clean
    digest = hashlib.sha256(text.encode()).hexdigest()[:6]
    return f"{clean}-{digest}" if clean else f"case-{digest}"


@dataclass(frozen=True)
class Place:
    """Where a set is put together (`staging`) and will lie; revisions count from 1."""

    staging: Path
    final: Path
    revision: int

    @property
    def name(self) -> str:
        """Folder name of the set, also the beginning of its files' names."""
        return self.final.name


#: Told the highest revision of the case that lies in the folder, gives that of the new set.
Choose = Callable[[int], int]


def lock_of(folder: Path, case: str) -> BaseFileLock:
    """Give the lock of a case in a folder; a run that holds it may take it again."""
    return FileLock(folder.resolve() / f".{safe_name(case)}.lock", is_singleton=True)


@contextmanager
def held(out: Path, case: str) -> Iterator[None]:
    """Hold a case in a folder, begun if absent: other runs for it wait until the block ends.

    Raises:
        DeliveryError: Another run takes too long, or the folder cannot be written.
    """
    with ExitStack() as holding:
        try:
            with _told(out, case):
                out.mkdir(parents=True, exist_ok=True)
                holding.enter_context(only_one(lock_of(out, case)))
        except Timeout as error:
            raise DeliveryError(
                f"another run is still making a set for {case} in {out}; try again when it is done"
            ) from error
        yield


def sweep_lock(out: Path, case: str) -> None:
    """Take away the lock of a case that a killed run left in a folder."""
    lock = lock_of(out, case)
    if Path(lock.lock_file).exists():
        with suppress(OSError), only_one(lock, 0):  # a Timeout is an OSError
            pass


@contextmanager
def _told(out: Path, case: str, inside: Path | None = None) -> Iterator[None]:
    """Tell a failure of the disk, or one below `inside`, in one sentence; others pass.

    Whoever reads it knows `out`, not the folder in it where the set is put together.
    """
    try:
        yield
    except Timeout:
        raise
    except OSError as error:
        foreign = inside is not None and str(inside) not in str(error.filename)
        if foreign and error.errno not in _DISK_TROUBLE:
            raise
        raise _not_written(out, case, error) from error
    except DeliveryError as error:
        cause = error.__cause__
        within = inside is not None and str(inside) in str(error.value)
        if not within or not isinstance(cause, OSError):
            raise
        raise _not_written(out, case, cause) from cause


def _not_written(out: Path, case: str, error: OSError) -> DeliveryError:
    return DeliveryError(
        f"the set of {case} cannot be written to {out}: {error.strerror or error}; nothing was "
        "left there; give it room and rights, or name a folder that can be written with --out",
        field="out", value=str(out),
    )


@contextmanager
def new_set(out: Path, case: str, choose: Choose) -> Iterator[Place]:
    """Open a staging folder for a set, and move it into place when the block ends well.

    The folder is written beside its place and renamed once, so that a kill at any moment
    leaves a whole set or none. Runs for one case wait for each other; what a killed run left
    behind is removed by the next one.

    Args:
        choose: Chooses the revision, once the case is held and the staging folder stands.

    Raises:
        DeliveryError: The folder cannot be written; whatever `choose` raises.
    """
    name = safe_name(case)
    staging = out / f".{name}.unfinished"
    with held(out, case):
        with _told(out, case):
            if staging.exists():
                shutil.rmtree(staging)
            staging.mkdir()
        try:
            revision = choose(max(revisions(out, name), default=0))
            place = Place(staging, out / f"{name}-r{revision}", revision)
            with _told(out, case, staging):
                yield place
            with _told(out, case):
                seal(staging)
                staging.rename(place.final)
            tell_done(f"the set {place.final.name} lies whole in {out}")
        finally:
            shutil.rmtree(staging, ignore_errors=True)
        # The set lies whole in its place; a folder that cannot be flushed does not change that.
        with suppress(OSError):
            _sync(out)


def revisions(out: Path, name: str) -> list[int]:
    """List the revisions of a case that lie in a folder, rising."""
    # Folders of Windows and macOS do not tell capitals from small letters.
    pattern = re.compile(re.escape(name) + r"-r(\d+)", re.IGNORECASE)
    found = (pattern.fullmatch(path.name) for path in out.iterdir())
    return sorted(int(match.group(1)) for match in found if match)


def last_whole(out: Path, case: str) -> tuple[Path, dict[str, Any]] | None:
    """Find the last whole set of a case that lies in a folder, with its spec.

    Extra rods, rods in place of others and what is no set are passed over.
    """
    name = safe_name(case)
    for revision in reversed(revisions(out, name)):
        folder = out / f"{name}-r{revision}"
        spec = _spec_of_whole(folder)
        if spec is not None:
            return folder, spec
    return None


def _spec_of_whole(folder: Path) -> dict[str, Any] | None:
    try:
        spec = json.loads((folder / SPEC_FILE).read_text("utf-8"))
    except (OSError, ValueError):
        return None
    whole = isinstance(spec, dict) and "inputs_sha256" in spec
    return spec if whole and "series" not in spec and "replaces" not in spec else None


def wrong_files(root: Path) -> tuple[str, ...]:
    """Hold every file of a finished set against its list of sums.

    Returns:
        A clause for each file that was changed, is missing, or is not of the set; by name.

    Raises:
        InputError: The list of sums is missing, or names a file outside of the set.
        OSError: A file cannot be read.
    """
    listed = sums_of(root)
    files = {
        path.relative_to(root).as_posix(): path for path in root.rglob("*") if path.is_file()
    }
    del files[SUMS_FILE]
    wrong = []
    for name in sorted({*listed, *files}):
        if name not in files:
            wrong.append(f"{name} is missing")
        elif name not in listed:
            wrong.append(f"{name} is not in its list of sums")
        elif sha256_of(files[name]) != listed[name]:
            wrong.append(f"{name} was changed")
    return tuple(wrong)


def write_json(path: Path, value: Any) -> None:
    """Write JSON for people and programs: indented, UTF-8, no NaN, one newline at the end."""
    text = json.dumps(as_written(value), ensure_ascii=False, indent=1, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def sha256_of(path: Path) -> str:
    """Give the SHA-256 of a file as 64 hexadecimal digits."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def rods_sha256(root: Path) -> str:
    """Give one digest for the files of a finished set that no paper made again changes.

    Formula: SHA-256 over the lines of its list of sums, without papers, pictures and the spec,
    which tells the profile of the papers, too.

    Raises:
        InputError: As `sums_of`.
    """
    lines = "".join(
        f"{digest}  {name}\n" for name, digest in sums_of(root).items()
        if not is_paper(name) and name != SPEC_FILE
    )
    return hashlib.sha256(lines.encode()).hexdigest()


def is_paper(name: str) -> bool:
    """Tell whether a file of a set is a paper or a picture, which can be made again."""
    return name.startswith(("documents/", "pictures/"))


def seal(root: Path) -> None:
    """Write the list of sums of a folder and push everything to the disk."""
    files = sorted(p for p in root.rglob("*") if p.is_file() and p != root / SUMS_FILE)
    sums = "".join(f"{sha256_of(path)}  {path.relative_to(root).as_posix()}\n" for path in files)
    (root / SUMS_FILE).write_text(sums, encoding="utf-8", newline="\n")
    for path in [*files, root / SUMS_FILE, *(p for p in root.rglob("*") if p.is_dir()), root]:
        _sync(path)


def require_unchanged(root: Path, names: Iterable[str]) -> None:
    """Hold files of a finished set against its list of sums.

    Args:
        names: Files, relative to it.

    Raises:
        InputError: The list or a file is missing, or a file is not as it was made.
    """
    sums = sums_of(root)
    for name in names:
        path = root / name
        if not path.is_file() or sha256_of(path) != sums.get(name):
            raise InputError(
                f"{name} is missing or not as it was made; take the set from its backup or make "
                "it again",
                where=str(root),
                field=name,
            )


def _refuse_written_into(
    root: Path, staging: Path, new: list[Path], sums: dict[str, str]
) -> None:
    """Refuse to replace what somebody filled in: neither as it was made nor as it is made now."""
    for path in new:
        name = path.relative_to(staging).as_posix()
        place = root / name
        if place.is_file() and sha256_of(place) not in (sums.get(name), sha256_of(path)):
            raise InputError(
                f"{name} was written into since it was made; move it to another place to keep it, "
                "then run again, or name another folder with --out",
                where=str(root),
                field=name,
            )


def _sync(path: Path) -> None:
    """Flush one file or folder to the disk, so that the rename cannot outrun its content."""
    if path.is_dir() and os.name == "nt":
        return  # Windows cannot open folders for flushing
    handle = os.open(path, os.O_RDONLY if os.name != "nt" or path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sums_of(root: Path) -> dict[str, str]:
    """Read the list of sums of a finished set: SHA-256 by name of file, relative to the folder.

    Raises:
        InputError: The list is missing, or names a file outside of the set.
    """
    try:
        lines = (root / SUMS_FILE).read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"is not a finished set ({SUMS_FILE} cannot be read); name the folder of a set",
            where=str(root),
        ) from error
    sums = {name: digest for digest, _, name in (line.partition("  ") for line in lines)}
    for name in sums:
        if not is_inside(name):
            raise InputError(
                f'{SUMS_FILE} names "{name}", which is not a file of the set; take the set '
                "from its backup or make it again",
                where=str(root),
            )
    return sums


def replace_files(root: Path, staging: Path) -> None:
    """Move files from beside a finished set into it, and renew their sums, the sums last.

    A kill in between leaves whole files, old or new. Sums of all other files stay as they are.

    Args:
        staging: Folder with the new files, on the same disk; it is empty afterwards.

    Raises:
        InputError: A file that would be replaced was written into since it was made.
    """
    sums = sums_of(root)
    new = sorted(path for path in staging.rglob("*") if path.is_file())
    _refuse_written_into(root, staging, new, sums)
    for path in new:
        name = path.relative_to(staging).as_posix()
        sums[name] = sha256_of(path)
        _sync(path)
    for path in new:
        place = root / path.relative_to(staging)
        place.parent.mkdir(exist_ok=True)
        path.replace(place)
        _sync(place.parent)
    # In the order in which `seal` writes them.
    ordered = sorted(sums, key=lambda name: root / name)
    text = "".join(f"{sums[name]}  {name}\n" for name in ordered)
    (staging / SUMS_FILE).write_text(text, encoding="utf-8", newline="\n")
    _sync(staging / SUMS_FILE)
    (staging / SUMS_FILE).replace(root / SUMS_FILE)
    tell_done(f"the papers of {root.name} were replaced")
    _sync(root)
