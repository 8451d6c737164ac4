"""One daemon per store."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from ingest.errors import StoreUnavailable
from monitor.lock import AlreadyRunning, is_held, lock_path, only_instance


def test_the_second_is_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "a.lock"
    assert not is_held(path)
    with only_instance(path):
        assert is_held(path)
        message = f"{re.escape(str(path))}: a daemon \\(process {os.getpid()}\\) is already at work on this store"
        with pytest.raises(AlreadyRunning, match=message), only_instance(path):
            pass
        assert is_held(path)
    assert not is_held(path)
    with only_instance(path):
        pass


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    refused = pytest.raises(StoreUnavailable, match=r"none/a\.lock: the lock file cannot be opened")
    with refused, only_instance(tmp_path / "none" / "a.lock"):
        pass


@pytest.mark.parametrize(
    ("url", "name"),
    [
        ("sqlite:///aftercare.db", "fleet/aftercare.db.lock"),
        ("sqlite:///data/a.db?timeout=3", "fleet/data/a.db.lock"),
        ("sqlite:////var/a.db", "/var/a.db.lock"),
        ("postgresql+psycopg://u:p@host/db", "fleet/aftercare.lock"),
    ],
)
def test_where_the_lock_lies(url: str, name: str) -> None:
    assert lock_path(url, Path("fleet")) == Path(name)
