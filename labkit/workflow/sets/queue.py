"""Sets that wait in the record's own database for whichever host is free to make them.

The queue is the engine's (procrastinate), in a schema of its own beside the record. It holds no
truth: what is made, the record says. A set is put in under what it is made from, so that it waits
there once.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from labkit.errors import InputError, LedgerError
from labkit.ledger.database import ADVISORY_KEY
from labkit.ledger.place import file_of, ledger_url, shown
from labkit.workflow.sets.batch import Outcome

if TYPE_CHECKING:
    import psycopg

#: What a job of the engine is called; its arguments are an `Asked`.
TASK = "labkit.make_set"
#: Lies in the folder of the sets: a host where that folder is not mounted does not have it.
MARK_FILE = ".labkit-queue"
#: A set that breaks off, or that hosts put back, as often is given up.
MOST_TRIES = 10
_CONNECT_SECONDS = 10
#: What became of sets; what hosts put back, in how many rounds, and why; when a set was last made.
#: Table → what makes it, in the order in which they come.
_TABLES = {
    "labkit_outcomes": "CREATE TABLE labkit_outcomes (key text PRIMARY KEY, "
    "outcome jsonb NOT NULL, at timestamptz NOT NULL DEFAULT now())",
    "labkit_put_back": "CREATE TABLE labkit_put_back (key text PRIMARY KEY, "
    "tries integer NOT NULL, outcome jsonb NOT NULL, at timestamptz NOT NULL DEFAULT now())",
    "labkit_last_made": "CREATE TABLE labkit_last_made (one boolean PRIMARY KEY, at timestamptz); "
    "INSERT INTO labkit_last_made VALUES (true, '-infinity')",
}
#: Puts down what became of a set; takes `key` and `outcome`.
PUT_OUTCOME = (
    "INSERT INTO labkit_outcomes (key, outcome) VALUES (%(key)s, %(outcome)s) "
    "ON CONFLICT (key) DO UPDATE SET outcome = excluded.outcome, at = now()"
)
#: Puts down that a host made a set, which lets the rounds of those put back begin anew.
PUT_MADE = "UPDATE labkit_last_made SET at = now()"
#: Puts down that a host left a set to others: one try a round, whoever else put it back in that;
#: takes `key`, `outcome` and the `seconds` of a round.
PUT_BACK = (
    "INSERT INTO labkit_put_back AS put (key, tries, outcome) VALUES (%(key)s, 1, %(outcome)s) "
    "ON CONFLICT (key) DO UPDATE SET outcome = excluded.outcome, (tries, at) = (SELECT "
    "CASE WHEN put.at <= made.at THEN 1 WHEN put.at <= this.began THEN put.tries + 1 "
    "ELSE put.tries END, "
    "CASE WHEN put.at <= greatest(made.at, this.began) THEN now() ELSE put.at END "
    "FROM labkit_last_made made, (SELECT now() - make_interval(secs => %(seconds)s) began) this)"
)
#: What waits and was put back, with its tries since a set was last made.
WAITS = (
    "FROM labkit_put_back put JOIN procrastinate_jobs job ON job.queueing_lock = put.key "
    "JOIN labkit_last_made made ON put.at > made.at WHERE job.status = 'todo'"
)


@dataclass(frozen=True)
class Asked:
    """A set that is asked for, as it travels to whoever makes it.

    Args:
        file: Where its prescription was read.
        text: The prescription.
        out: Folder that holds the sets, the same place on every host.
        process: Name of the process as given; None where the profile names it.
        inputs_sha256, profile_sha256: Digests of what it was asked for with.
    """

    file: str
    case: str
    text: str
    out: str
    by: str
    process: str | None
    inputs_sha256: str
    profile_sha256: str

    @functools.cached_property
    def key(self) -> str:
        """What tells it from other sets, wherever its prescription lies."""
        told = {**dataclasses.asdict(self), "file": ""}
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


class Queue:
    """The queue beside one record on PostgreSQL.

    Args:
        url: The record, as for `look_into`.

    Raises:
        InputError: The record is a file, or the engine is not installed.
        LedgerError: The database cannot be reached.
    """

    def __init__(self, url: str | None) -> None:
        given = ledger_url(url)
        self.place = shown(given)
        if given.get_backend_name() != "postgresql":
            what = "file" if file_of(given) else "database of another kind"
            raise InputError(
                f"the queue lies in the PostgreSQL database of the record, and {self.place} is a "
                f"{what}; name the record with --ledger postgresql://…, or make the batch on this "
                "machine alone, without a queue (labkit guide many)",
                field="ledger", value=self.place,
            )
        _require_engine()
        _, named = given.get_dialect()().create_connect_args(given)
        self.schema, self.conninfo = self._found(dict(named))

    def _found(self, named: dict[str, Any]) -> tuple[str, str]:
        import psycopg
        from psycopg.conninfo import make_conninfo

        named = {"connect_timeout": _CONNECT_SECONDS, **named}
        named.pop("context", None)  # the driver's own, of no conninfo
        with self.told(), psycopg.connect(**named) as connection:
            found = connection.execute("SELECT coalesce(current_schema(), 'public')").fetchone()
        schema = f"{found[0] if found else 'public'}_queue"
        options = f'{named.pop("options", "")} -csearch_path="{schema}"'
        return schema, make_conninfo(**named, options=options.strip())

    @contextmanager
    def told(self) -> Iterator[None]:
        """Turn what the engine or the database complains of into a sentence."""
        import procrastinate.exceptions
        import psycopg

        try:
            yield
        except (psycopg.Error, procrastinate.exceptions.ConnectorException) as error:
            cause = error.__cause__ or error
            first = (str(cause).splitlines() or [type(cause).__name__])[0]
            raise LedgerError(
                f"the queue beside the ledger {self.place} cannot be reached ({first}); check that "
                "the server runs; what waits in it is not lost",
                field="ledger",
            ) from error

    @contextmanager
    def _connected(self) -> Iterator[psycopg.Connection[Any]]:
        import psycopg

        with self.told(), psycopg.connect(self.conninfo) as connection:
            yield connection

    def begin(self) -> None:
        """Make the queue where there is none."""
        from procrastinate.schema import SchemaManager
        from psycopg.sql import SQL, Identifier

        with self._connected() as connection:
            connection.execute("SELECT pg_advisory_xact_lock(%s)", [ADVISORY_KEY])
            rows = connection.execute(
                "SELECT name FROM unnest(%s::text[]) AS name WHERE to_regclass(name) IS NULL",
                [list(_TABLES)],
            ).fetchall()
            missing = {name for (name,) in rows}
            if "labkit_outcomes" in missing:
                schema = Identifier(self.schema)
                connection.execute(SQL("CREATE SCHEMA IF NOT EXISTS {}").format(schema))
                connection.execute(SchemaManager.get_schema())
            # A worker's role may not make tables: nothing is asked for that is there.
            for name, table in _TABLES.items():
                if name in missing:
                    connection.execute(table)

    def put(self, asked: Sequence[Asked]) -> None:
        """Put sets in; one that waits or is at work already is not put in twice."""
        from procrastinate import App, SyncPsycopgConnector
        from procrastinate.exceptions import AlreadyEnqueued

        known = self.at_work([each.key for each in asked])
        new = [each for each in asked if each.key not in known]
        self._clear_for(new)
        app = App(connector=SyncPsycopgConnector(conninfo=self.conninfo, min_size=1, max_size=1))
        with self.told(), app.open():
            for each in new:
                # Two sets of one case are never made at once.
                job = app.configure_task(TASK, lock=each.case, queueing_lock=each.key)
                with suppress(AlreadyEnqueued):  # another batch was quicker
                    job.defer(**dataclasses.asdict(each))

    def _clear_for(self, new: Sequence[Asked]) -> None:
        """Drop what became of sets before, and what was put back of their cases there."""
        with self._connected() as connection:
            for table in ("labkit_outcomes", "labkit_put_back"):
                connection.execute(
                    f"DELETE FROM {table} WHERE key = ANY(%s)", [[each.key for each in new]]
                )
            connection.execute(
                "DELETE FROM procrastinate_jobs "
                "WHERE status = 'todo' AND priority < 0 AND lock = ANY(%s) "
                "AND args->>'out' = ANY(%s)",
                [[each.case for each in new], [each.out for each in new]],
            )

    def at_work(self, keys: Sequence[str]) -> dict[str, str]:
        """Give those that are not done, each as "waiting" or "at work"."""
        with self._connected() as connection:
            rows = connection.execute(
                "SELECT queueing_lock, status = 'doing' FROM procrastinate_jobs "
                "WHERE status IN ('todo', 'doing') AND queueing_lock = ANY(%s)", [list(keys)],
            ).fetchall()
        return {key: "at work" if doing else "waiting" for key, doing in rows}

    def put_back(self, keys: Sequence[str]) -> dict[str, tuple[int, Outcome]]:
        """Give those that wait and that hosts left to others: in how many tries, and why.

        Tries are those since any host made a set: as long as one does, it may make these too.
        """
        with self._connected() as connection:
            rows = connection.execute(
                f"SELECT put.key, put.tries, put.outcome {WAITS} AND put.key = ANY(%s)",
                [list(keys)],
            ).fetchall()
        return {key: (tries, outcome_of(told)) for key, tries, told in rows}

    def give_up(self, asked: Asked, outcome: Outcome) -> bool:
        """Take a set out that no host can make; False where a host has just taken it."""
        with self._connected() as connection:
            taken = connection.execute(
                "DELETE FROM procrastinate_jobs WHERE queueing_lock = %s AND status = 'todo'",
                [asked.key],
            ).rowcount
            if taken:
                told = json.dumps(dataclasses.asdict(outcome))
                connection.execute(PUT_OUTCOME, {"key": asked.key, "outcome": told})
        return bool(taken)

    def outcomes(self, keys: Sequence[str]) -> dict[str, Outcome]:
        """Give what became of those that were done last time they were asked for."""
        with self._connected() as connection:
            rows = connection.execute(
                "SELECT key, outcome FROM labkit_outcomes WHERE key = ANY(%s)", [list(keys)]
            ).fetchall()
        return {key: outcome_of(told) for key, told in rows}


def _require_engine() -> None:
    try:
        import procrastinate  # noqa: F401
        import psycopg  # noqa: F401
    except ImportError as error:
        raise InputError(
            f"the queue needs a library that is not installed ({error}); install "
            "labkit[postgresql], or make the batch on this machine alone, without a queue",
            field="queue",
        ) from error


def asked_of(told: dict[str, Any]) -> Asked | None:
    """Read what a job of the engine asks for; None where another version of the program asked."""
    names = {each.name for each in dataclasses.fields(Asked)}
    return Asked(**told) if set(told) == names else None


def outcome_of(told: dict[str, Any]) -> Outcome:
    """Read an outcome from its JSON content."""
    return Outcome(**{**told, "said": tuple(told["said"])})
