"""`aftercare run` and `aftercare status`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.shell import (
    EXIT_DONE,
    EXIT_SET_ASIDE,
    fleet_argument,
    json_option,
    leave,
    opened,
    pick_site,
    print_json,
)
from monitor.cli.tables import aligned

if TYPE_CHECKING:
    from monitor.detect.track_record import TrackRecord
    from monitor.jobs.standing import Standing

LISTED = 20


@click.command()
@fleet_argument
@click.pass_context
def run(ctx: click.Context, fleet: Path) -> None:
    """The daemon: ingest, assessments and digests by the schedule of fleet.toml, until told to stop.

    Digests are written to FLEET/digests, and with a section [mail] in fleet.toml they are sent as well. SIGTERM or
    Ctrl-C ends the current unit of work and exits with 0; a second one exits at once.
    """
    from monitor.daemon import log_to_stderr, serve

    log_to_stderr()
    ctx.exit(EXIT_DONE if serve(fleet, clock=ctx.obj.clock) else EXIT_SET_ASIDE)


@click.command()
@fleet_argument
@click.option("--rejects", is_flag=True, help="Instead, all that is set aside: file, line, field, text and reason.")
@click.option("--site", "site_id", metavar="ID", help="With --rejects: only of this site.")
@json_option
@click.pass_context
def status(ctx: click.Context, fleet: Path, rejects: bool, site_id: str | None, as_json: bool) -> None:
    """Is the daemon alive, when did each job last succeed, what is waiting or set aside."""
    from monitor.jobs.standing import as_document, look

    if rejects:
        tell_rejects(ctx, fleet, site_id, as_json)
    elif site_id is not None:
        raise click.UsageError("--site goes with --rejects.")

    with opened(fleet) as (loaded, store):
        standing = look(loaded, store, ctx.obj.clock())
    if as_json:
        print_json(as_document(standing))
    else:
        click.echo("\n".join(as_text(standing)))
    leave(ctx, loaded)


def tell_rejects(ctx: click.Context, fleet: Path, site_id: str | None, as_json: bool) -> None:
    """Everything that is set aside, and leave."""
    from monitor.jobs.standing import rejects_document, rejects_text, set_aside

    with opened(fleet) as (loaded, store):
        found = set_aside(store, None if site_id is None else pick_site(loaded, site_id).id)
    if as_json:
        print_json(rejects_document(found))
    else:
        click.echo("\n".join(rejects_text(found)))
    leave(ctx, loaded)


def as_text(standing: Standing) -> list[str]:
    """The whole standing for a person, in the fleet's local time."""
    lines = [_daemon_line(standing), "", *_job_lines(standing), "", *_source_lines(standing), *_device_lines(standing)]
    lines += _record_lines(standing)
    lines += _mail_lines(standing)
    set_aside = sum(source.rejects for source in standing.sources)
    for title, entries, total, more in (
        ("waiting", standing.waiting, len(standing.waiting), "--json"),
        ("not read by this version", standing.sources_unread, len(standing.sources_unread), "--json"),
        ("refused", standing.refused, sum(source.refused for source in standing.sources), "--rejects"),
        ("set aside", standing.rejects, set_aside, "--rejects"),
        ("without recent readings", standing.silent_sites, len(standing.silent_sites), "--json"),
        ("wrong in the configuration", standing.faults, len(standing.faults), "--json"),
        ("doubtful in the configuration", standing.doubts, len(standing.doubts), "--json"),
    ):
        if entries:
            lines += ["", f"{title}:", *(f"  {entry}" for entry in entries[:LISTED])]
        if total > LISTED:
            lines.append(f"  and {total - LISTED} more; {more} lists them all")
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
    heads = ("site", "source", "files", "refused", "set aside", "replaced", "last taken")
    counts = [
        (s.site, s.source, *map(str, (s.files, s.refused, s.rejects, s.conflicts)), standing.local(s.last_taken_at))
        for s in standing.sources
    ]
    return aligned([heads, *counts], right=(2, 3, 4, 5))


def _record_lines(standing: Standing) -> list[str]:
    """What came of the findings by cause, once any was raised, and how many were false, once engineers have spoken."""
    if not standing.records:
        return []
    heads = ("findings of", "raised", "confirmed", "repaired", "no fault", "false alarms")
    rows = [
        (r.cause, *map(str, (r.raised, r.confirmed, r.repaired, r.no_fault)), _share_words(r)) for r in standing.records
    ]
    return ["", *aligned([heads, *rows], right=(1, 2, 3, 4))]


def _mail_lines(standing: Standing) -> list[str]:
    """What waits to be sent and what was not taken, the last of each."""
    head, *entries = [*standing.mail.as_text(standing.local), ""]
    if not head:
        return []
    told = [entry for entry in entries if entry][:LISTED]
    left = len(entries) - 1 - len(told)
    return ["", head, *told, *([f"  and {left} more; --json lists them all"] if left else [])]


def _share_words(record: TrackRecord) -> str:
    share = record.false_share
    if share is None:
        return "no verdict yet"
    return f"{share.share:.0%} ({share.low:.0%} to {share.high:.0%})"


def _device_lines(standing: Standing) -> list[str]:
    """The devices that are polled and the services that are asked, if there are any, and what troubles them."""
    if not standing.devices:
        return []
    rows = [
        (*names, standing.local(state.last_ok_at), standing.local(state.last_try_at), str(state.failures))
        if state is not None
        else (*names, "never", "never", "0")
        for names, state in standing.devices.items()
    ]
    table = aligned([("site", "device", "last reading", "last poll", "failures"), *rows], right=(4,))
    troubled = (state for state in standing.devices.values() if state is not None and state.trouble)
    return ["", *table, *(f"  {state.site}/{state.source}: {state.trouble}" for state in troubled)]
