"""The nightly assessment: from stored readings to daily figures and findings."""

from monitor.nightly.nights import AssessReport, assess, yesterday

__all__ = ["AssessReport", "assess", "yesterday"]
