"""One root for everything this program raises on purpose.

AftercareError
├── ConfigurationError   a file of the fleet folder is wrong (exit code 2)
├── InputError           one input (a file, a poll) cannot be taken; the rest goes on (exit code 1)
├── OutputError          a file cannot be written: a full disk, no permission (exit code 1)
├── MailUnavailable      the mail server cannot be reached or does not let us in (exit code 3)
└── StoreUnavailable     the database cannot be reached or is not ours (exit code 3)
"""

from __future__ import annotations


class AftercareError(Exception):
    """Root of the errors that a person is meant to read: `str()` is a full sentence."""


class ConfigurationError(AftercareError):
    """The configuration is wrong; `faults` holds one sentence per mistake."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("\n".join(faults))


class InputError(AftercareError):
    """One file or poll cannot be taken as a whole; its reason is the message."""

    def __init__(self, file: str, reason: str) -> None:
        self.file, self.reason = file, reason
        super().__init__(f"{file}: {reason}")


class OutputError(AftercareError):
    """A file for a person cannot be written."""


class MailUnavailable(AftercareError):
    """The mail server cannot be reached, or takes nothing from us as it is set up."""


class StoreUnavailable(AftercareError):
    """The store cannot be opened, is locked by others for too long, or has a newer schema."""
