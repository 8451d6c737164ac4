"""Processes that die while they queue and send: every digest arrives, and a twin is the same message."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from monitor.cli import aftercare
from monitor.cli.shell import Shell
from tests.conftest import NOON_AFTER
from tests.mail_server import Mail, MailServer

LEASE_S = 900
PROGRAM = """
import sys
from monitor.cli import aftercare
from monitor.cli.shell import Shell
now = int(sys.argv[1])
aftercare(sys.argv[2:], obj=Shell(clock=lambda: now), prog_name="aftercare")
"""
# Sends a digest to step1@, step2@, ... each time killed one step later: before and after every statement about the
# outbox, before every commit, and when its connection is given back. Each time another process comes after it.
STEPPING = """
import os, shutil, signal, sys
from sqlalchemy import event
from sqlalchemy.engine import Engine
from sqlalchemy.pool import Pool
from monitor.cli import aftercare
from monitor.cli.shell import Shell
from monitor.jobs import digests, mailing

folder, ready, now = sys.argv[1], sys.argv[2], int(sys.argv[3])
settings = open(folder + "/fleet.toml").read()

def send(at, last=0):
    child = os.fork()
    if child:
        return os.waitpid(child, 0)[1]
    steps = [0]
    def step(*_given):
        steps[0] += 1
        if steps[0] == last:
            os.kill(os.getpid(), signal.SIGKILL)
    def about(_conn, _cursor, statement, *_given):
        if "outbox" in statement:
            step()
    if last:
        event.listen(Engine, "before_cursor_execute", about)
        event.listen(Engine, "after_cursor_execute", about)
        event.listen(Engine, "commit", step)
        event.listen(Pool, "checkin", step)
    try:
        aftercare([*"digest --for service --send".split(), folder], obj=Shell(clock=lambda: at), prog_name="aftercare")
    except SystemExit as end:
        sys.stdout.flush()
        os._exit(end.code or 0)

for last in range(1, 200):
    for left in ("-wal", "-shm"):
        if os.path.exists(folder + "/aftercare.db" + left):
            os.remove(folder + "/aftercare.db" + left)
    shutil.copy(ready, folder + "/aftercare.db")
    with open(folder + "/fleet.toml", "w") as file:
        file.write(settings.replace("service@", f"step{last}@"))
    first = send(now, last)
    second = send(now + 1000)
    print(f"step {last}", first, second, flush=True)
    if first == 0:
        break
"""


@pytest.fixture
def server() -> Iterator[MailServer]:
    with MailServer() as server:
        yield server


@pytest.fixture
def fleet(fleet_folder: Path, server: MailServer) -> Path:
    """A fleet that went through its nights, with mail."""
    path = fleet_folder / "fleet.toml"
    path.write_text(path.read_text() + server.section())
    call(NOON_AFTER, "ingest", fleet_folder)
    call(NOON_AFTER, "assess", fleet_folder, "--from", "2025-06-01")
    return fleet_folder


def start(fleet: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", PROGRAM, str(NOON_AFTER), "digest", str(fleet), "--for", "service", "--send"]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def call(now: int, *words: str | Path) -> str:
    """A command in this process, which comes after one that died."""
    shell = Shell(clock=lambda: now)
    done = CliRunner().invoke(aftercare, [str(word) for word in words], obj=shell, catch_exceptions=False)
    assert (done.exit_code, done.stderr) == (0, "")
    return done.stdout


def finish(fleet: Path, now: int) -> str:
    return call(now, "digest", fleet, "--for", "service", "--send")


def waiting(fleet: Path, now: int) -> list[Any]:
    found: list[Any] = json.loads(call(now, "status", fleet, "--json"))["mail"]["waiting"]
    return found


def kill(victim: list[subprocess.Popen[str]]) -> Callable[[Any], float]:
    """Something for the server to do when it is spoken to, which takes a moment."""

    def now(_: Any) -> float:
        os.kill(victim[0].pid, signal.SIGKILL)
        return 0.1

    return now


@pytest.mark.parametrize(("stage", "copies"), [("on_hello", 1), ("on_sender", 1), ("on_data", 2)])
def test_a_sender_killed_while_it_speaks(fleet: Path, server: MailServer, stage: str, copies: int) -> None:
    victim: list[subprocess.Popen[str]] = []
    setattr(server.manners, stage, kill(victim))
    victim.append(start(fleet))
    victim[0].communicate(timeout=120)
    assert victim[0].returncode == -signal.SIGKILL
    setattr(server.manners, stage, lambda _: None)
    assert [one["digest"] for one in waiting(fleet, NOON_AFTER)] == ["service-2025-06-06"]
    if stage != "on_hello":  # somebody may still be speaking, for all that others know
        assert finish(fleet, NOON_AFTER + LEASE_S - 1) == "0 queued, 1 queued or sent before; 0 messages sent\n"
    assert finish(fleet, NOON_AFTER + LEASE_S) == "0 queued, 1 queued or sent before; 1 message sent\n"
    assert finish(fleet, NOON_AFTER + 99_999) == "0 queued, 1 queued or sent before; 0 messages sent\n"
    assert len(server.mails) == copies
    assert len({mail.data for mail in server.mails}) == 1
    assert waiting(fleet, NOON_AFTER + 99_999) == []


def test_a_sender_killed_after_the_answer_before_its_note(fleet: Path, server: MailServer) -> None:
    lock = sqlite3.connect(fleet / "aftercare.db", isolation_level=None, check_same_thread=False)
    answered = threading.Event()

    def hold(_: Mail) -> None:
        lock.execute("BEGIN IMMEDIATE")  # so that the note of the sending has to wait
        answered.set()

    server.manners.on_data = hold
    victim = start(fleet)
    assert answered.wait(120)
    time.sleep(0.3)
    victim.kill()
    victim.communicate()
    lock.execute("ROLLBACK")
    lock.close()
    server.manners.on_data = lambda _: None
    assert finish(fleet, NOON_AFTER + LEASE_S) == "0 queued, 1 queued or sent before; 1 message sent\n"
    first, second = server.mails
    assert first == second


def test_killed_at_any_step_it_arrives_under_one_id(fleet: Path, server: MailServer, tmp_path: Path) -> None:
    ready = tmp_path / "ready.db"
    with sqlite3.connect(fleet / "aftercare.db") as source, sqlite3.connect(ready) as copy:
        source.backup(copy)
    source.close()
    copy.close()
    command = [sys.executable, "-c", STEPPING, str(fleet), str(ready), str(NOON_AFTER)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert (done.returncode, done.stderr) == (0, "")
    steps = [line.split()[1:] for line in done.stdout.splitlines() if line.startswith("step")]
    assert len(steps) > 20
    assert [first for _, first, _ in steps[:-1]] == [str(int(signal.SIGKILL))] * (len(steps) - 1)
    assert {second for _, _, second in steps} == {"0"}
    twins = 0
    for number, *_ in steps:
        letters = [mail for mail in server.mails if mail.recipients == [f"step{number}@example.org"]]
        assert 1 <= len(letters) <= 2
        assert len({mail.data for mail in letters}) == 1
        twins += len(letters) - 1
    assert 0 < twins < len(steps) / 3  # only where it was not noted what the server had taken
