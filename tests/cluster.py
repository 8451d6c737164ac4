"""A private PostgreSQL server for tests and benchmarks, from whatever installation is found."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import psycopg

MISSING = "no PostgreSQL server is installed (initdb and postgres): the store was not tested on it"


class Cluster:
    """A PostgreSQL server in a folder of its own, reached by a socket in it."""

    def __init__(self, programs: Path) -> None:
        self.programs = programs
        self.folder = Path(tempfile.mkdtemp(prefix="aftercare-"))
        self._who = ordinary_user()
        self.own(self.folder)
        data = self.folder / "data"
        setup = [programs / "initdb", "-D", data, "-U", "tester", "-A", "trust", "-E", "UTF8", "--locale=C", "-N"]
        done = subprocess.run(setup, cwd=self.folder, capture_output=True, text=True, **self._who)
        assert done.returncode == 0, done.stderr
        self.start()

    def start(self) -> None:
        """Start the server and wait until it answers."""
        options = [f"-cunix_socket_directories={self.folder}", "-clisten_addresses=", "-cfsync=off"]
        command = [self.programs / "postgres", "-D", self.folder / "data", *options]
        with (self.folder / "log").open("ab") as log:
            self._server = subprocess.Popen(command, cwd=self.folder, stderr=log, **self._who)
        self._wait()

    def stop(self) -> None:
        """Stop the server at once, whoever is at work on it; it recovers at its next start."""
        self._server.send_signal(signal.SIGQUIT)
        try:
            self._server.wait(10)
        except subprocess.TimeoutExpired:
            self._server.kill()
            self._server.wait()

    def remove(self) -> None:
        """Stop the server and forget all that it holds."""
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def own(self, folder: Path) -> None:
        """Give a folder to the user that the server runs as."""
        if self._who:
            os.chown(folder, self._who["user"], self._who["group"])

    def url(self, database: str) -> str:
        return f"postgresql+psycopg://tester@/{database}?host={self.folder}"

    def run(self, statement: str) -> list[tuple[Any, ...]]:
        """Run a statement of an administrator and give back its rows."""
        with psycopg.connect(f"host={self.folder} user=tester dbname=postgres", autocommit=True) as conn:
            found = conn.execute(statement.encode())
            return found.fetchall() if found.description else []

    def _wait(self) -> None:
        until = time.monotonic() + 30
        while True:
            try:
                self.run("SELECT 1")
                return
            except psycopg.OperationalError:
                log = (self.folder / "log").read_text()
                assert self._server.poll() is None, log
                assert time.monotonic() < until, log
                time.sleep(0.02)


def ordinary_user() -> dict[str, Any]:
    """The server refuses to run as root."""
    if os.geteuid() != 0:
        return {}
    known = {entry.pw_name: entry for entry in pwd.getpwall()}
    user = known.get("postgres") or known["nobody"]
    return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


def find_programs() -> Path | None:
    """The newest installation that has both programs."""
    versions = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: float(path.parent.name), reverse=True)
    on_path = shutil.which("initdb")
    folders = [*([Path(on_path).parent] if on_path else []), Path("/usr/local/bin"), *versions]
    return next((f for f in folders if (f / "initdb").exists() and (f / "postgres").exists()), None)
