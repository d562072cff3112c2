"""The error tree: what went wrong, where, what is allowed, what to do."""

from __future__ import annotations

EXIT_REFUSED = 1
EXIT_UNREADABLE = 2


class LabkitError(Exception):
    """An input or a result that cannot be used, told in one sentence.

    Args:
        message: The whole sentence: what was asked, what is wrong, what is allowed, what to do.
        field: Dotted key or name of the value at fault, empty if none.
        allowed: What would have been accepted, in words.
        where: File and line, or step, at which it was found.
    """

    exit_code = EXIT_UNREADABLE

    def __init__(
        self,
        message: str,
        *,
        field: str = "",
        value: object = None,
        allowed: str = "",
        where: str = "",
    ) -> None:
        super().__init__(message)
        self.message = message
        self.field = field
        self.value = value
        self.allowed = allowed
        self.where = where

    def __str__(self) -> str:
        return f"{self.where}: {self.message}" if self.where else self.message


class InputError(LabkitError):
    """A file or an option that cannot be read as what it should be (exit status 2)."""


class InputErrors(InputError):
    """Several input errors found in one reading of one file.

    Args:
        errors: The errors, in the order of the file.
    """

    def __init__(self, errors: tuple[LabkitError, ...]) -> None:
        super().__init__("\n".join(str(error) for error in errors))
        self.errors = errors


class RefusedError(LabkitError):
    """A readable request that a rule of the trade does not allow (exit status 1)."""

    exit_code = EXIT_REFUSED


class JawModelError(RefusedError):
    """A pose that the jaw model cannot reach or that its equations do not fix."""


class LabelError(RefusedError):
    """A label that cannot be engraved legibly in its place."""


class GeometryError(RefusedError):
    """A solid that is not what the arithmetic asked for; the part is not delivered."""


class CheckError(RefusedError):
    """A written file that does not measure as it should; the set is not delivered."""


class DeliveryError(RefusedError):
    """A finished set that cannot be put in its place."""


class MadeAlreadyError(DeliveryError):
    """A set that lies where it would be put, whole and as it was made."""


class LedgerError(RefusedError):
    """A ledger that cannot be read or written now, is damaged, or does not allow the entry."""


class LedgerAwayError(LedgerError):
    """A ledger on a server that cannot be reached now."""
