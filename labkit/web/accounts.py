"""Who may sign in where other machines reach the workplace: codes, roles, hashed passphrases."""

from __future__ import annotations

import datetime
import json
import os
import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from filelock import FileLock

from labkit.errors import InputError, RefusedError
from labkit.ledger.events import checked_operator
from labkit.locks import only_one
from labkit.web.owner_only import put
from labkit.web.rights import ROLES, Role

#: A passphrase that people can keep in mind and nobody can guess is long.
LEAST_PASSPHRASE, MOST_PASSPHRASE = 12, 200
#: So many slips are free; from then on each one doubles the wait.
FREE_SLIPS = 4
LONGEST_WAIT = datetime.timedelta(minutes=15)
#: After so many doublings the longest wait is reached.
_DOUBLINGS = 10
#: Slips count no more when there was none for so long.
FORGOTTEN_AFTER = datetime.timedelta(hours=1)
#: Passphrases that are held against their hashes at once: each takes 64 MiB for a moment.
_AT_ONCE = threading.BoundedSemaphore(2)
#: Codes and addresses whose slips are kept in mind.
_MOST_KEPT = 10_000
_HASHER = PasswordHasher()


@dataclass(frozen=True)
class Account:
    """What somebody may do here, and of which cases.

    An account that names its clinic, or beginnings of case numbers, is limited: it sees, and acts
    on, the cases whose numbers begin so, and is told nothing of others. `sees` is the one question.

    Args:
        passphrase: Its Argon2 hash.
        cases: Beginnings of the numbers of its cases; none for all.
        clinic: Name of its clinic, as shown; "" where it names none.
    """

    role: Role
    passphrase: str
    cases: tuple[str, ...] = ()
    clinic: str = ""

    @property
    def limited(self) -> bool:
        """Whether there are cases that it does not see."""
        return bool(self.clinic or self.cases)

    def sees(self, case: str) -> bool:
        """Tell whether a case is one of its own; a clinic without cases sees none.

        >>> [Account(Role.DENTIST, "", ("QF-",), "Elm").sees(case) for case in ("QF-1", "HLB-1")]
        [True, False]
        """
        return not self.limited or case.startswith(self.cases)


class Accounts:
    """The accounts of a workplace, in a file that only its owner can read."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def every(self) -> Mapping[str, Account]:
        """Read them all, by operator code; none where there is no file.

        Raises:
            InputError: The file is not one of accounts.
        """
        try:
            told = json.loads(self.path.read_text("utf-8"))
            return {code: _account(each) for code, each in told["accounts"].items()}
        except FileNotFoundError:
            return {}
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise InputError(
                "is not a file of accounts; name one that `labkit accounts add` wrote",
                where=str(self.path),
            ) from error

    def add(self, code: str, role: Role, passphrase: str, cases: Iterable[str] = (),
            clinic: str = "") -> None:
        """Add an account, or give one another role and passphrase.

        Args:
            cases, clinic: As in `Account`.

        Raises:
            InputError: The code is none, the passphrase is too short or too long, or it is not said
                which cases are the clinic's.
        """
        if clinic and not any(cases):
            raise InputError(
                f"it is not said which cases are those of {clinic!r}; give how their numbers begin "
                "with --cases, once for each beginning",
                field="cases",
            )
        if not LEAST_PASSPHRASE <= len(passphrase) <= MOST_PASSPHRASE:
            raise InputError(
                f"a passphrase has {LEAST_PASSPHRASE} to {MOST_PASSPHRASE} characters; take four "
                "or five words that do not belong together",
                field="passphrase",
            )
        new = Account(role, _HASHER.hash(passphrase), tuple(filter(None, cases)), clinic)
        code = checked_operator(code)
        with self._changing() as known:
            known[code] = new

    def remove(self, code: str) -> None:
        """Take an account away; whoever is signed in with it is signed out.

        Raises:
            InputError: There is none of that code.
        """
        with self._changing() as known:
            if code not in known:
                raise InputError(
                    f"there is no account {code!r}; there are {', '.join(known) or 'none'}",
                    field="code", value=code,
                )
            del known[code]

    def open(self, code: str, passphrase: str) -> Account | None:
        """Give the account that a passphrase opens; None where it does not."""
        known = self.every().get(code)
        try:
            # An unknown code takes as long as a known one, so that codes cannot be tried out.
            with _AT_ONCE:
                _HASHER.verify(known.passphrase if known else _NOBODY, passphrase[:MOST_PASSPHRASE])
        except (VerificationError, InvalidHashError):
            return None
        return known

    @contextmanager
    def _changing(self) -> Iterator[dict[str, Account]]:
        """Read, change and write the accounts while nobody else does.

        Raises:
            RefusedError: The file cannot be written.
        """
        try:
            with only_one(FileLock(f"{self.path}.lock")):
                known = dict(self.every())
                yield known
                self._write(known)
        except OSError as error:
            raise RefusedError(
                f"cannot be written ({error.strerror or error}); nothing was changed",
                where=str(self.path),
            ) from error

    def _write(self, accounts: Mapping[str, Account]) -> None:
        content = json.dumps({"schema": 1, "accounts": {c: asdict(a) for c, a in accounts.items()}},
                             ensure_ascii=False, indent=1)
        put(self.path, f"{content}\n".encode())


_NOBODY = _HASHER.hash(os.urandom(16).hex())


def _account(told: Mapping[str, Any]) -> Account:
    begin = told["cases"]
    cases = tuple(map(str, [begin] if isinstance(begin, str) else begin))  # once a single text
    account = Account(
        Role(told["role"]), str(told["passphrase"]), tuple(filter(None, cases)),
        str(told.get("clinic", "")),
    )
    if account.role not in ROLES:
        raise ValueError(account.role)
    return account


class Slips:
    """Wrong passphrases by code and by address: the more there were, the longer one waits."""

    def __init__(self) -> None:
        self._slips: dict[str, tuple[int, datetime.datetime]] = {}
        self._lock = threading.Lock()

    def begin(self, names: tuple[str, ...], now: datetime.datetime) -> datetime.timedelta:
        """Count a try as a slip before it is looked at, so that many at once do not slip through.

        Returns:
            How long one still has to wait; the try was not counted unless that is nothing.
        """
        with self._lock:
            wait = max(self._wait(name, now) for name in names)
            if not wait:
                self._count(names, now)
            return wait

    def right(self, code: str, address: str) -> None:
        """Begin anew for a code after its passphrase, and take this try off its address."""
        with self._lock:
            self._slips.pop(code, None)
            count, last = self._slips.get(address, (0, None))
            if last is not None:
                self._slips[address] = (max(count - 1, 0), last)

    def _count(self, names: tuple[str, ...], now: datetime.datetime) -> None:
        for name in names:
            count, _ = self._known(name, now)
            self._slips.pop(name, None)
            self._slips[name] = (count + 1, now)
        while len(self._slips) > _MOST_KEPT:
            del self._slips[next(iter(self._slips))]

    def _known(self, name: str, now: datetime.datetime) -> tuple[int, datetime.datetime]:
        count, last = self._slips.get(name, (0, now))
        return (0, now) if now - last > FORGOTTEN_AFTER else (count, last)

    def _wait(self, name: str, now: datetime.datetime) -> datetime.timedelta:
        count, last = self._known(name, now)
        if count <= FREE_SLIPS:
            return datetime.timedelta(0)
        longest = LONGEST_WAIT.total_seconds()
        seconds = min(2.0 ** min(count - FREE_SLIPS, _DOUBLINGS), longest)
        return max(last + datetime.timedelta(seconds=seconds) - now, datetime.timedelta(0))
