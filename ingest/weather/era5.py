"""ERA5: worldwide hourly reanalysis of the Copernicus Climate Data Store, five days behind; by key.

pvlib 0.16 labels an hour by its end. The irradiance is the mean of that hour; the temperature and the wind are those
of the instant, and the mean over the hour is taken from the instants at its two ends.
"""

from __future__ import annotations

import json
import zipfile
from datetime import timedelta
from io import BytesIO

import numpy as np
import pandas as pd
import requests
from pvlib.iotools import get_era5

from ingest.errors import InputError
from ingest.weather.answer import check_place
from ingest.weather.carrier import Carrier, ServiceBusy, carried_by
from ingest.weather.question import Question

HOME = "https://cds.climate.copernicus.eu/api/retrieve/v1/"
_VARIABLES = ["ghi", "bhi", "temp_air", "10m_u_component_of_wind", "10m_v_component_of_wind"]
_QUEUE_S = 600  # how long a request may wait there for its turn


def check(content: bytes) -> str:
    """What is wrong with an answer; what is told on the way is JSON, the data come in an archive."""
    if zipfile.is_zipfile(BytesIO(content)):
        return ""
    try:
        json.loads(content)
    except ValueError:
        return "the answer is neither a JSON document nor an archive"
    return ""


def fetch(question: Question, carrier: Carrier) -> pd.DataFrame:
    """Ask, and wait for the request's turn; the last hour of a day is labelled with the day after it."""
    try:
        frame, meta = carried_by(carrier, get_era5)(
            question.spot.latitude, question.spot.longitude, question.first, question.last + timedelta(days=1),
            _VARIABLES, question.key, timeout=_QUEUE_S, url=f"{question.url.rstrip('/')}/",
        )  # fmt: skip
    except requests.Timeout:
        raise ServiceBusy(question.name, f"the request waited there for more than {_QUEUE_S} s") from None
    except InputError:
        raise
    except Exception as error:
        if type(error) is Exception:  # which is what pvlib raises for a request that was taken and came to nothing
            raise InputError(question.name, "the request was taken, and failed there") from None
        raise
    if frame.empty:
        raise InputError(question.name, "the answer has no rows")
    check_place(question.name, question.spot, meta["latitude"], meta["longitude"])
    return _by_start(frame)


def _by_start(frame: pd.DataFrame) -> pd.DataFrame:
    """Means over the hours, labelled by their start."""
    whole = frame.reindex(pd.date_range(frame.index[0], frame.index[-1], freq="h"))
    means = pd.DataFrame({"ghi": whole["ghi"]}, index=whole.index)
    if "bhi" in whole:
        means["dhi"] = np.maximum(whole["ghi"] - whole["bhi"], 0.0)
    if "temp_air" in whole:
        means["temp_air"] = _between(whole["temp_air"])
    if {"u10", "v10"} <= set(whole):
        means["wind_speed"] = _between(pd.Series(np.hypot(whole["u10"], whole["v10"]), index=whole.index))
    return means.shift(-1, freq="h")


def _between(instants: pd.Series) -> pd.Series:
    """Mean over the hour that ends at each instant."""
    return (instants + instants.shift(1)) / 2.0
