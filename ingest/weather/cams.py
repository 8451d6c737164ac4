"""CAMS Radiation: irradiance by satellite as far as Meteosat and Himawari see, two days behind; by account.

pvlib 0.16 asks for universal time, turns the energies of the intervals into means, and labels an interval by its
start. What is missing is `nan`; where less than half of an interval rests on images, it is a gap here.
"""

from __future__ import annotations

import re
from urllib.parse import quote, urlsplit

import numpy as np
import pandas as pd
from pvlib.iotools import get_cams

from ingest.errors import InputError
from ingest.weather.answer import check_place
from ingest.weather.carrier import Carrier, carried_by
from ingest.weather.question import Question

HOME = "https://api.soda-solardata.com"
_STEPS = {15: "15min", 60: "1h"}
_LEAST_RELIABLE = 0.5
_HEADER = re.compile(rb"^# Observation period;", re.MULTILINE)


def check(content: bytes) -> str:
    """What is wrong with an answer; pvlib looks for the header for ever where there is none."""
    return "" if _HEADER.search(content) else "the answer is no table of irradiance"


def fetch(question: Question, carrier: Carrier) -> pd.DataFrame:
    """Ask; InputError when the answer is of another place or time."""
    carrier.scheme = urlsplit(question.url).scheme  # pvlib's address always begins with https
    frame, meta = carried_by(carrier, get_cams)(
        question.spot.latitude, question.spot.longitude, question.first, question.last, _written_twice(question.key),
        identifier="cams_radiation", time_step=_STEPS[question.step_min], url=_host_of(question.url),
    )  # fmt: skip
    if not str(meta.get("Time reference")).startswith("Universal time"):
        raise InputError(question.name, f"the answer's times are {meta.get('Time reference')!r}; expected UT")
    if meta["time_step"] != _STEPS[question.step_min]:
        raise InputError(
            question.name, f"the answer's step is {meta['time_step']}; expected {question.step_min} minutes"
        )
    check_place(question.name, question.spot, meta.get("latitude"), meta.get("longitude"))
    if "Reliability" in frame.columns:
        frame.loc[frame["Reliability"] < _LEAST_RELIABLE, ["ghi", "dni", "dhi"]] = np.nan
    assert isinstance(frame, pd.DataFrame)
    return frame


def _host_of(url: str) -> str:
    """What pvlib puts between https:// and the path of the service."""
    parts = urlsplit(url)
    return f"{parts.netloc}{parts.path.rstrip('/')}"


def _written_twice(account: str) -> str:
    """The account as the service wants it: percent signs for marks, twice; pvlib sees to the @ alone."""
    return quote(quote(account, safe="@"), safe="@")
