"""The command `aftercare`. Heavy modules are imported inside the commands, so that `--help` stays quick."""

from monitor.cli.group import aftercare


def main() -> None:
    """Entry point of the console command."""
    aftercare.main(prog_name="aftercare")


__all__ = ["aftercare", "main"]
