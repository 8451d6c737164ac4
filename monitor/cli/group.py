"""The group of commands, and how errors become sentences and exit codes."""

from __future__ import annotations

from typing import Any

import click

from ingest.errors import AftercareError, ConfigurationError, MailUnavailable, StoreUnavailable
from monitor.cli.assess import assess
from monitor.cli.baseline import baseline
from monitor.cli.board import board
from monitor.cli.callback import callback
from monitor.cli.check import check
from monitor.cli.demo import demo
from monitor.cli.digest import digest
from monitor.cli.findings import findings
from monitor.cli.ingest import ingest
from monitor.cli.losses import losses
from monitor.cli.serve import run, status
from monitor.cli.shell import EXIT_CONFIGURATION, EXIT_SET_ASIDE, EXIT_UNREACHABLE, Shell, note
from monitor.cli.verdict import verdict
from monitor.cli.yields import yields


class ErrorsAsSentences(click.Group):
    """A group whose commands may raise what a person is meant to read."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; tell an error of ours on stderr and leave with its exit code."""
        try:
            return super().invoke(ctx)
        except ConfigurationError as error:
            note(*error.faults)
            ctx.exit(EXIT_CONFIGURATION)
        except (MailUnavailable, StoreUnavailable) as error:
            note(str(error))
            ctx.exit(EXIT_UNREACHABLE)
        except AftercareError as error:
            note(str(error))
            ctx.exit(EXIT_SET_ASIDE)


@click.group(cls=ErrorsAsSentences, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="array-aftercare", message="%(version)s")
@click.pass_context
def aftercare(ctx: click.Context) -> None:
    """Watches home solar roofs after they were installed.

    Every command takes the fleet folder first, or reads it from the environment variable AFTERCARE_FLEET.
    `aftercare demo` shows the whole job on an invented fleet.

    \b
    Exit codes:
      0  done
      1  done, but some input was set aside or some step failed; stderr says which
      2  the command line or the configuration is wrong
      3  the store or the mail server could not be reached, or another daemon works on the store
      4  findings --fail-on LEVEL: an open finding is at or above that level
    """
    if ctx.obj is None:
        ctx.obj = Shell()


for command in (
    demo,
    check,
    ingest,
    assess,
    findings,
    verdict,
    losses,
    yields,
    baseline,
    callback,
    board,
    digest,
    run,
    status,
):
    aftercare.add_command(command)
