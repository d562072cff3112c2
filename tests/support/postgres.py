"""A PostgreSQL server of the tests' own, on the loopback address, in a folder of its own."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from contextlib import contextmanager
from pathlib import Path

BINARIES = Path("/usr/lib/postgresql/15/bin")


def why_not():
    """Say why no server can be started here, empty where one can."""
    if not (BINARIES / "initdb").exists():
        return f"no PostgreSQL 15 in {BINARIES} (Debian package postgresql-15)"
    if os.geteuid() == 0 and not (shutil.which("runuser") and _has_user("postgres")):
        return "PostgreSQL refuses to run as root, and there is no user postgres to run it as"
    return ""


def _has_user(name):
    return subprocess.run(["id", name], capture_output=True, check=False).returncode == 0


def _run(*arguments):
    prefix = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    # pg_ctl hands its output to the server, which would keep a pipe open.
    with tempfile.TemporaryFile() as output:
        done = subprocess.run(
            [*prefix, *arguments],
            stdout=output, stderr=output, stdin=subprocess.DEVNULL, cwd="/", check=False,
        )
        output.seek(0)
        assert done.returncode == 0, output.read().decode()


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextmanager
def running_server():
    """Start a server and give the URL of its first database; stop and remove it at the end."""
    folder = tempfile.mkdtemp(prefix="labkit-pg-")
    port = _free_port()
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres")
    data = f"{folder}/data"
    try:
        _run(str(BINARIES / "initdb"), "-A", "trust", "-U", "lab", "-E", "UTF8", "-D", data)
        # No test kills the server, so it need not wait for the disk.
        settings = ("fsync=off", "listen_addresses=127.0.0.1", f"unix_socket_directories={folder}")
        options = " ".join((f"-p {port}", *(f"-c {setting}" for setting in settings)))
        control = str(BINARIES / "pg_ctl")
        log = f"{folder}/log"
        _run(control, "-D", data, "-l", log, "-o", options, "-w", "start")
        try:
            yield f"postgresql://lab@127.0.0.1:{port}/postgres"
        finally:
            _run(control, "-D", data, "-m", "immediate", "-w", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
