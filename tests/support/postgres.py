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


class Server:
    """A server that can be killed and started again; what was written before is there again."""

    def __init__(self, folder):
        self.folder, self._port = folder, _free_port()
        self.url = f"postgresql://lab@127.0.0.1:{self._port}/postgres"

    @property
    def _data(self):
        return f"{self.folder}/data"

    def begin(self):
        _run(str(BINARIES / "initdb"), "-A", "trust", "-U", "lab", "-E", "UTF8", "-D", self._data)

    def start(self):
        # Only the machine could lose what is not on the disk yet, so nothing waits for the disk.
        settings = (
            "fsync=off", "listen_addresses=127.0.0.1", f"unix_socket_directories={self.folder}"
        )
        options = " ".join((f"-p {self._port}", *(f"-c {setting}" for setting in settings)))
        self._control("-l", f"{self.folder}/log", "-o", options, "-w", "start")

    def stop(self):
        """Stop at once, as after a kill: the next start recovers."""
        self._control("-m", "immediate", "-w", "stop")

    def _control(self, *words):
        _run(str(BINARIES / "pg_ctl"), "-D", self._data, *words)


@contextmanager
def server():
    """Start a server; stop and remove it at the end."""
    folder = tempfile.mkdtemp(prefix="labkit-pg-")
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres")
    try:
        begun = Server(folder)
        begun.begin()
        begun.start()
        try:
            yield begun
        finally:
            begun.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def running_server():
    """Start a server and give the URL of its first database; stop and remove it at the end."""
    with server() as begun:
        yield begun.url
