"""What is kept: readings, files, daily figures, baselines, findings, job runs. The only SQL of the program."""

from monitor.store.database import Store

__all__ = ["Store"]
