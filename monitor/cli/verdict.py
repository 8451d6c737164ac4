"""`aftercare verdict`."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import click

from monitor.cli.shell import Day, json_option, leave, note, opened, print_json, split_fleet

if TYPE_CHECKING:
    from monitor.detect.ruling import Said
    from monitor.jobs.judging import Taken

VERDICTS: tuple[Said, ...] = ("confirmed", "not-a-fault", "repaired")


@click.command()
@click.argument("words", nargs=-1, metavar="FLEET FINDING confirmed|not-a-fault|repaired", type=click.Path())
@click.option("--note", "text", default="", metavar="TEXT", help="What was seen or done.")
@click.option("--on", "day", type=Day(), metavar="DATE", help="Local day for which it holds.  [default: today]")
@json_option
@click.pass_context
def verdict(ctx: click.Context, words: tuple[str, ...], text: str, day: date | None, as_json: bool) -> None:
    """What an engineer says of a finding, named by its id or enough of its beginning.

    A confirmed finding stays open. One that is repaired, or not a fault, is closed on that day: from the next day on
    its subject is measured against itself anew, so that only a further drop is reported. No replay takes a verdict
    back.
    """
    from monitor.jobs.judging import take_verdict

    folder, rest = split_fleet(words)
    if len(rest) != 2:
        found = " ".join(rest) or "neither"
        raise click.UsageError(f"Expected the fleet folder, a FINDING and one of {_named()}; found {found}.")
    start, said = rest
    chosen = next((known for known in VERDICTS if known == said), None)
    if chosen is None:
        raise click.UsageError(f"{said!r}: expected one of {_named()}.")
    with opened(folder) as (fleet, store):
        taken = take_verdict(fleet, store, start, chosen, note=text.strip(), day=day, now=ctx.obj.clock())
    if taken.again_from is not None:
        note(f"{taken.finding.site}: the nights from {taken.again_from} on are assessed again with the next pass")
    if as_json:
        print_json(as_answer(taken))
    else:
        click.echo(as_sentence(taken))
    leave(ctx, fleet)


def as_answer(taken: Taken) -> dict[str, object]:
    """A verdict and its finding as other programs read them."""
    from monitor.report.finding_document import finding_document

    ruling = taken.ruling
    return {
        "schema": 1,
        "verdict": ruling.said,
        "on": ruling.day.isoformat(),
        "note": ruling.note or None,
        "begins_anew": list(ruling.renews),
        "assessed_again_from": taken.again_from.isoformat() if taken.again_from else None,
        "finding": finding_document(taken.finding),
    }


def as_sentence(taken: Taken) -> str:
    """What has become of the finding."""
    finding, ruling = taken.finding, taken.ruling
    what = f"{finding.id}: {finding.site} {finding.subject} {finding.cause} is {ruling.said} on {ruling.day}"
    return f"{what}; the finding is {finding.state}"


def _named() -> str:
    return ", ".join(VERDICTS[:-1]) + f" or {VERDICTS[-1]}"
