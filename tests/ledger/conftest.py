"""Ledgers to test with: an SQLite file, and a database on a real PostgreSQL server."""

from __future__ import annotations

import itertools
import os
import shutil
import subprocess
import tempfile
from contextlib import contextmanager
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.pool import NullPool

from labkit.ledger.place import ledger_url
from labkit.ledger.store import open_ledger
from tests.support import postgres
from tests.support.ledgers import fill

_COUNT = itertools.count(1)


@pytest.fixture(scope="session")
def server():
    reason = postgres.why_not()
    if reason:
        pytest.skip(reason)
    with postgres.running_server() as url:
        yield url


def fresh_schema(server_url):
    """Make a schema of its own for a ledger, which is quicker than a database."""
    name = f"ledger_{next(_COUNT)}"
    with psycopg.connect(server_url, autocommit=True) as connection:
        connection.execute(f"CREATE SCHEMA {name}")
    return f"{server_url}?options=-csearch_path%3D{name}"


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request, tmp_path):
    """Where a new ledger may be begun, on either database."""
    if request.param == "sqlite":
        return str(tmp_path / "ledger.sqlite")
    return fresh_schema(request.getfixturevalue("server"))


@pytest.fixture
def filled(url):
    """A ledger with events of every kind."""
    with open_ledger(url) as ledger, ledger.transaction():
        fill(ledger)
    return url


@pytest.fixture
def sqlite_file(tmp_path):
    path = tmp_path / "ledger.sqlite"
    with open_ledger(str(path)) as ledger, ledger.transaction():
        fill(ledger)
    return path


@pytest.fixture
def tamper():
    """Run SQL behind the program's back, foreign keys switched off."""

    def run(url, *statements):
        engine = create_engine(ledger_url(url), poolclass=NullPool)
        with engine.begin() as connection:
            if engine.dialect.name == "postgresql":
                connection.execute(text("SET session_replication_role = replica"))
            for statement in statements:
                done = connection.execute(text(statement))
                assert done.rowcount != 0, f"{statement}: nothing was changed"

    return run


#: A user without rights.
NOBODY = 65534


@pytest.fixture
def open_folder():
    """A folder that every user may reach, since pytest's own are private."""
    folder = Path(tempfile.mkdtemp(prefix="labkit-ledger-"))
    folder.chmod(0o755)
    yield folder
    subprocess.run(["chmod", "-R", "u+w", str(folder)], check=True)
    shutil.rmtree(folder)


@contextmanager
def without_rights():
    """Give up the rights of the superuser, whom no permission stops."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
