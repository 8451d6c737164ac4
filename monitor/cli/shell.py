"""What the commands share: the fleet folder, exit codes, dates, messages and progress."""

from __future__ import annotations

import difflib
import json
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ingest.errors import ConfigurationError
from monitor.clock import Clock, system_clock

if TYPE_CHECKING:
    from monitor.config import Fleet, Site
    from monitor.store import Store

EXIT_DONE, EXIT_SET_ASIDE, EXIT_CONFIGURATION, EXIT_UNREACHABLE, EXIT_FINDING = range(5)
FLEET_VARIABLE = "AFTERCARE_FLEET"


@dataclass(frozen=True, slots=True)
class Shell:
    """What a command takes from its surroundings; a test passes its own."""

    clock: Clock = field(default=system_clock)


Folder = click.Path(path_type=Path, file_okay=False)
fleet_argument = click.argument("fleet", envvar=FLEET_VARIABLE, type=Folder)
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
site_option = click.option("--site", "site_id", metavar="ID", help="Only this site.")


class Day(click.ParamType[date]):
    """A date on the command line."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """Read YYYY-MM-DD."""
        if isinstance(value, date):
            return value
        try:
            return date.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r}: expected a date such as 2025-06-30", param, ctx)


class Month(click.ParamType[date]):
    """A month on the command line, as its first day."""

    name = "month"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """Read YYYY-MM."""
        if isinstance(value, date):
            return value
        try:
            return date.fromisoformat(f"{value}-01")
        except ValueError:
            self.fail(f"{value!r}: expected a month such as 2025-06", param, ctx)


def note(*lines: str) -> None:
    """Messages for a person go to stderr."""
    for line in lines:
        click.echo(line, err=True)


def print_json(document: Any) -> None:
    """The one document on stdout."""
    click.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))


def split_fleet(words: Sequence[str]) -> tuple[Path, list[str]]:
    """The fleet folder and the rest, where the folder may come from the environment instead of the first word."""
    given = os.environ.get(FLEET_VARIABLE)
    if words and (not given or (Path(words[0]) / "fleet.toml").is_file()):
        return Path(words[0]), list(words[1:])
    if not given:
        raise click.UsageError(f"Missing argument 'FLEET'; or set {FLEET_VARIABLE} to the fleet folder.")
    return Path(given), list(words)


def load(folder: Path) -> Fleet:
    """Load the fleet; the mistakes of its site files go to stderr and the other sites go on."""
    from monitor.config import load_fleet

    fleet = load_fleet(folder)
    note(*fleet.faults)
    return fleet


@contextmanager
def opened(folder: Path) -> Iterator[tuple[Fleet, Store]]:
    """The fleet and its store."""
    from monitor.store import Store

    fleet = load(folder)
    store = Store.open(fleet.settings.store.url, fleet.folder)
    try:
        yield fleet, store
    finally:
        store.close()


def pick_site(fleet: Fleet, site_id: str) -> Site:
    """The site with this id, or an error that names the nearest."""
    known = [site.id for site in fleet.sites]
    if site_id in known:
        return fleet.site(site_id)
    if (fleet.folder / "sites" / f"{site_id}.toml").is_file():
        raise ConfigurationError([f"site {site_id!r}: its file sites/{site_id}.toml is wrong and was left out"])
    near = difflib.get_close_matches(site_id, known, n=1, cutoff=0.0)
    hint = f"; did you mean {near[0]}?" if near else ""
    raise ConfigurationError([f"site {site_id!r}: not a site of this fleet{hint}"])


def leave(ctx: click.Context, fleet: Fleet, *, set_aside: bool = False) -> None:
    """End the command with the exit code of what happened; a wrong site file outranks set-aside input."""
    if fleet.faults:
        ctx.exit(EXIT_CONFIGURATION)
    ctx.exit(EXIT_SET_ASIDE if set_aside else EXIT_DONE)


class Progress:
    """Says on stderr how far a long command is: one changing line on a terminal, else a line now and then."""

    def __init__(self, *, every_s: float = 10.0, now_s: Callable[[], float] = time.monotonic) -> None:
        self._every_s, self._now_s = every_s, now_s
        self._began_s = self._told_s = now_s()
        self._terminal = sys.stderr.isatty()
        self._open = False

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def __call__(self, text: str) -> None:
        """Tell a small step."""
        now_s = self._now_s()
        if self._terminal:
            click.echo(f"\r\x1b[K{self._stamp(now_s)} {text}"[: self._width()], nl=False, err=True)
            self._open = True
        elif now_s - self._told_s >= self._every_s:
            note(f"{self._stamp(now_s)} {text}")
        else:
            return
        self._told_s = now_s

    def stage(self, text: str) -> None:
        """Tell the beginning of a part; this line stays."""
        self.close()
        self._told_s = self._now_s()
        note(f"{self._stamp(self._told_s)} {text}")

    def close(self) -> None:
        """Clear the changing line."""
        if self._open:
            click.echo("\r\x1b[K", nl=False, err=True)
            self._open = False

    def _stamp(self, now_s: float) -> str:
        return f"[{now_s - self._began_s:4.0f} s]"

    @staticmethod
    def _width() -> int:
        return os.get_terminal_size(sys.stderr.fileno()).columns + 3  # the control characters take no room
