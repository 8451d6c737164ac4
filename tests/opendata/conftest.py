"""Checks against measured open data, which is not part of the project.

AFTERCARE_OPEN_DATA names the folder that holds it; without it these tests are skipped.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def opendata() -> Path:
    """Folder with one subfolder a data set."""
    folder = os.environ.get("AFTERCARE_OPEN_DATA")
    if not folder or not Path(folder).is_dir():
        pytest.skip("open data not here: AFTERCARE_OPEN_DATA does not name a folder")
    return Path(folder)
