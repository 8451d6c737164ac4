"""`aftercare run` and `aftercare status`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.shell import EXIT_DONE, EXIT_SET_ASIDE, fleet_argument, json_option, leave, opened, print_json
from monitor.cli.tables import aligned

if TYPE_CHECKING:
    from monitor.jobs.standing import Standing

LISTED = 20


@click.command()
@fleet_argument
@click.pass_context
def run(ctx: click.Context, fleet: Path) -> None:
    """The daemon: ingest, assessments and digests by the schedule of fleet.toml, until told to stop.

    Digests are written to FLEET/digests. SIGTERM or Ctrl-C ends the current unit of work and exits with 0; a second
    one exits at once.
    """
    from monitor.daemon import log_to_stderr, serve

    log_to_stderr()
    ctx.exit(EXIT_DONE if serve(fleet, clock=ctx.obj.clock) else EXIT_SET_ASIDE)


@click.command()
@fleet_argument
@json_option
@click.pass_context
def status(ctx: click.Context, fleet: Path, as_json: bool) -> None:
    """Is the daemon alive, when did each job last succeed, what is waiting or set aside."""
    from monitor.jobs.standing import as_document, look

    with opened(fleet) as (loaded, store):
        standing = look(loaded, store, ctx.obj.clock())
    if as_json:
        print_json(as_document(standing))
    else:
        click.echo("\n".join(as_text(standing)))
    leave(ctx, loaded)


def as_text(standing: Standing) -> list[str]:
    """The whole standing for a person, in the fleet's local time."""
    lines = [_daemon_line(standing), "", *_job_lines(standing), "", *_source_lines(standing)]
    for title, entries in (
        ("waiting", standing.waiting),
        ("not read by this version", standing.sources_unread),
        ("refused", standing.refused),
        ("set aside", standing.rejects),
        ("without recent readings", standing.silent_sites),
        ("wrong in the configuration", standing.faults),
    ):
        if entries:
            lines += ["", f"{title}:", *(f"  {entry}" for entry in entries[:LISTED])]
        if len(entries) > LISTED:
            lines.append(f"  and {len(entries) - LISTED} more; --json lists them all")
    return lines


def _daemon_line(standing: Standing) -> str:
    sign = standing.local(standing.daemon.last_beat)
    if standing.daemon.alive:
        return f"daemon: alive, process {standing.daemon.pid}, last sign {sign}"
    return f"daemon: not running, last sign {sign}"


def _job_lines(standing: Standing) -> list[str]:
    heads = ("job", "last success", "last failure", "next run")
    times = [[standing.local(at) for at in (j.last_success, j.last_failure, j.next_run)] for j in standing.jobs]
    lines = aligned([heads, *([j.job, *at] for j, at in zip(standing.jobs, times, strict=True))])
    return lines + [f"  {j.job} failed: {j.failure_message}" for j in standing.jobs if standing.is_failing(j)]


def _source_lines(standing: Standing) -> list[str]:
    if not standing.sources:
        return ["no file was read yet"]
    heads = ("site", "source", "files", "refused", "set aside", "last taken")
    counts = [
        (s.site, s.source, str(s.files), str(s.refused), str(s.rejects), standing.local(s.last_taken_at))
        for s in standing.sources
    ]
    return aligned([heads, *counts], right=(2, 3, 4))
