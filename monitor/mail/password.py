"""The password of the mail server, which stands in no file of the fleet folder that others may read or copy."""

from __future__ import annotations

import os
from pathlib import Path

from ingest.errors import ConfigurationError
from monitor.config.models import MailSection


def read_password(mail: MailSection, folder: Path) -> str | None:
    """The password, None where none is needed; raises ConfigurationError. Paths are relative to `folder`."""
    if mail.password_env is not None:
        found = os.environ.get(mail.password_env)
        if not found:
            raise ConfigurationError(
                [
                    f"fleet.toml: mail.password_env = {mail.password_env!r}: expected the name of an environment "
                    "variable that holds the password, and it is not set"
                ]
            )
        return found
    if mail.password_file is not None:
        return _from_file(mail.password_file, folder)
    return None


def _from_file(name: str, folder: Path) -> str:
    key = f"fleet.toml: mail.password_file = {name!r}"
    try:
        lines = (folder / name).read_text("utf-8").splitlines()
    except OSError as error:
        raise ConfigurationError([f"{key}: cannot be read: {error.strerror or error}"]) from None
    except UnicodeDecodeError:
        raise ConfigurationError([f"{key}: expected text in UTF-8"]) from None
    if len(lines) != 1 or not lines[0]:
        raise ConfigurationError([f"{key}: expected one line with the password; found {len(lines)} lines"])
    return lines[0]
