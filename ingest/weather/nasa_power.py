"""NASA POWER: worldwide hourly means by satellite and reanalysis, for everybody, about a week behind.

pvlib 0.16 asks for UTC and labels an hour by its start; what is not there yet is -999, which pvlib makes a gap. The
irradiance is in Wh/m2 of the hour or W/m2, which is the same number; other units are refused.
"""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
from pvlib.iotools import get_nasa_power

from ingest.errors import InputError
from ingest.weather.answer import check_place
from ingest.weather.carrier import Carrier, carried_by
from ingest.weather.question import Question

HOME = "https://power.larc.nasa.gov/api/temporal/hourly/point"
_UNITS = {
    "ALLSKY_SFC_SW_DWN": ("Wh/m^2", "W/m^2"),
    "ALLSKY_SFC_SW_DIFF": ("Wh/m^2", "W/m^2"),
    "ALLSKY_SFC_SW_DNI": ("Wh/m^2", "W/m^2"),
    "T2M": ("C",),
    "WS10M": ("m/s",),
}


def check(content: bytes) -> str:
    """What is wrong with an answer; it is a whole JSON document."""
    try:
        json.loads(content)
    except ValueError:
        return "the answer is no whole JSON document"
    return ""


def fetch(question: Question, carrier: Carrier) -> pd.DataFrame:
    """Ask; InputError when the answer is of another place, time or unit."""
    frame, meta = carried_by(carrier, get_nasa_power)(
        question.spot.latitude, question.spot.longitude, question.first, question.last, url=question.url
    )
    standard = meta.get("time_standard")
    if standard != "UTC":
        raise InputError(question.name, f"the answer's times are {standard!r}; expected 'UTC'")
    check_place(question.name, question.spot, meta["latitude"], meta["longitude"])
    _check_units(question.name, meta["parameters"])
    assert isinstance(frame, pd.DataFrame)
    return frame


def _check_units(name: str, told: dict[str, dict[str, Any]]) -> None:
    for parameter, about in told.items():
        wanted = _UNITS.get(parameter)
        if wanted is not None and about.get("units") not in wanted:
            raise InputError(name, f"{parameter} is in {about.get('units')!r}; expected {' or '.join(wanted)}")
    silent = sorted(_UNITS.keys() - told.keys())
    if silent:
        raise InputError(name, f"the answer does not say in which unit {silent[0]} is")
