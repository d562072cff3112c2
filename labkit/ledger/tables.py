"""The tables: events are the truth, the rest is derived from them by `rows_of`."""

from __future__ import annotations

from sqlalchemy import (
    Column,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _seq(*, primary: bool = False) -> Column[int]:
    """Make the column that names the event a row comes from."""
    event = ForeignKey("events.seq")
    if primary:
        return Column("seq", Integer, event, primary_key=True, autoincrement=False)
    return Column("seq", Integer, event, nullable=False, index=True)


def _case() -> Column[str]:
    return Column(
        "case_number", String(40), ForeignKey("cases.case_number"), nullable=False, index=True
    )


def _set_name() -> Column[str]:
    return Column("set_name", String(80), ForeignKey("sets.set_name"), nullable=False, index=True)


def _identifier() -> Column[str]:
    return Column(
        "identifier", String(10), ForeignKey("rods.identifier"), nullable=False, index=True
    )


EVENTS = Table(
    "events",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("at", String(27), nullable=False),
    Column("operator", String(32), nullable=False),
    Column("kind", String(20), nullable=False),
    Column("case_number", String(40), nullable=False, index=True),
    Column("body", Text, nullable=False),
    # One event is corrected once; who errs again corrects the correction.
    Column("corrects", Integer, ForeignKey("events.seq"), nullable=True, unique=True),
    Column("previous", String(64), nullable=False, unique=True),
    Column("digest", String(64), nullable=False, unique=True),
)
#: One row, the only one that is ever changed: without it a cut tail would not show.
HEAD = Table(
    "head",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("event_count", Integer, nullable=False),
    Column("digest", String(64), nullable=False),
)
CASES = Table(
    "cases",
    METADATA,
    Column("case_number", String(40), primary_key=True),
    _seq(),
)
PRESCRIPTIONS = Table(
    "prescriptions",
    METADATA,
    _seq(primary=True),
    _case(),
    Column("revision", Integer, nullable=False),
    Column("text_sha256", String(64), nullable=False),
    UniqueConstraint("case_number", "revision"),
)
SETS = Table(
    "sets",
    METADATA,
    Column("set_name", String(80), primary_key=True),
    _seq(),
    _case(),
    Column("revision", Integer, nullable=False),
    Column("set_revision", Integer, nullable=False),
    # SQLite holds nothing to this length; its tables stay as they were first made.
    Column("purpose", String(20).with_variant(String(10), "sqlite"), nullable=False),
    Column("inputs_sha256", String(64), nullable=False),
    Column("template_name", String(200), nullable=False),
    Column("template_sha256", String(64), nullable=False),
    Column("process_name", String(200), nullable=False),
    Column("process_sha256", String(64), nullable=False),
)
SET_ENDS = Table(
    "set_ends",
    METADATA,
    _seq(primary=True),
    Column("set_name", String(80), ForeignKey("sets.set_name"), nullable=False, unique=True),
    Column("outcome", String(10), nullable=False),
    Column("spec_sha256", String(64), nullable=True),
)
RODS = Table(
    "rods",
    METADATA,
    Column("identifier", String(10), primary_key=True),
    _seq(),
    _case(),
    _set_name(),
    Column("step", Integer, nullable=False),
    Column("side", String(5), nullable=False),
    Column("length_um", Integer, nullable=False),
    Column("label", String(16), nullable=False),
    Column("percent", String(32), nullable=True),
    UniqueConstraint("set_name", "step", "side"),
)
ORDERS = Table(
    "orders",
    METADATA,
    _seq(primary=True),
    Column("line", Integer, primary_key=True, autoincrement=False),
    _case(),
    Column("side", String(5), nullable=False),
    Column("length_um", Integer, nullable=False),
    Column("label", String(16), nullable=False),
)
TRIAL_FITS = Table(
    "trial_fits",
    METADATA,
    _seq(primary=True),
    _case(),
    Column("revision", Integer, nullable=False),
)
TRIAL_DECISIONS = Table(
    "trial_decisions",
    METADATA,
    _seq(primary=True),
    Column("trial", Integer, ForeignKey("trial_fits.seq"), nullable=False, unique=True),
    Column("revision", Integer, nullable=False),
)
READINGS = Table(
    "readings",
    METADATA,
    _seq(primary=True),
    _identifier(),
    Column("quantity", String(40), nullable=False),
    Column("value_um", Integer, nullable=False),
)
RELEASES = Table(
    "releases",
    METADATA,
    _seq(primary=True),
    _set_name(),
    Column("decision", String(10), nullable=False),
)
ROD_STATES = Table(
    "rod_states",
    METADATA,
    _seq(primary=True),
    _identifier(),
    Column("state", String(10), nullable=False),
)
CORRECTIONS = Table(
    "corrections",
    METADATA,
    _seq(primary=True),
    Column("corrects", Integer, ForeignKey("events.seq"), nullable=False, unique=True),
)

#: Everything that `rows_of` derives, in an order that pleases the foreign keys.
DERIVED = (
    CASES,
    PRESCRIPTIONS,
    SETS,
    SET_ENDS,
    RODS,
    ORDERS,
    TRIAL_FITS,
    TRIAL_DECISIONS,
    READINGS,
    RELEASES,
    ROD_STATES,
    CORRECTIONS,
)
