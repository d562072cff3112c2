"""Who is at the browser: a visit begins at signing in, and every form bears its token."""

from __future__ import annotations

import datetime
import secrets
import threading
from dataclasses import dataclass

from labkit.web.accounts import Account
from labkit.web.rights import Role

COOKIE = "labkit"
#: Borne from signing out to the next page alone, so that drafts go then and by no mere address.
SIGNED_OUT = "labkit-signed-out"
#: A visit ends this long after its last page, and this long after signing in.
IDLE, LONGEST = datetime.timedelta(hours=12), datetime.timedelta(hours=24)
#: Visits kept at once, of those who signed in and of nobody each; the one longest idle goes first.
MOST = 1000


@dataclass(frozen=True)
class Visit:
    """One browser.

    Args:
        token: What its forms bear, so that no other page can send one.
        by: Operator code; "" before signing in.
        role: What the operator may do.
        account: As it was at signing in; None where a code is enough.
        begun: When.
    """

    token: str
    by: str
    role: Role
    account: Account | None
    begun: datetime.datetime

    @property
    def limited(self) -> bool:
        """Whether there are cases that the operator does not see, as for a clinic's account."""
        return self.account is not None and self.account.limited

    @property
    def clinic(self) -> str:
        """Name of the operator's clinic; "" where the account names none."""
        return self.account.clinic if self.account else ""

    def sees(self, case: str) -> bool:
        """Tell whether a case is one that the operator sees; every list of cases asks this."""
        return self.account is None or self.account.sees(case)


class Visits:
    """The visits of today, by the secret in the browser's cookie; kept in memory alone."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[Visit, datetime.datetime]] = {}
        self._lock = threading.Lock()

    def find(
        self, secret: str | None, now: datetime.datetime, *, by_itself: bool = False
    ) -> Visit | None:
        """Give the visit of a cookie; None where it has ended or never was.

        Args:
            by_itself: Whether a page asks by itself, which keeps no visit alive.
        """
        with self._lock:
            kept = self._kept.pop(secret, None) if secret else None
            if kept is None or secret is None:
                return None
            if now - kept[1] > IDLE or now - kept[0].begun > LONGEST:
                return None
            self._kept[secret] = kept if by_itself else (kept[0], now)
            return kept[0]

    def begin(self, now: datetime.datetime, by: str = "", role: Role = Role.NOBODY,
              account: Account | None = None) -> tuple[str, Visit]:
        """Begin a visit; give the secret for its cookie."""
        secret = secrets.token_urlsafe(32)
        visit = Visit(secrets.token_urlsafe(32), by, role, account, now)
        with self._lock:
            # However many pages nobody asks for, who is signed in stays so.
            alike = [kept for kept, (other, _) in self._kept.items() if bool(other.by) == bool(by)]
            for kept in alike[: max(len(alike) + 1 - MOST, 0)]:
                del self._kept[kept]
            self._kept[secret] = (visit, now)
        return secret, visit

    def end(self, secret: str | None) -> None:
        """End a visit."""
        with self._lock:
            self._kept.pop(secret or "", None)
