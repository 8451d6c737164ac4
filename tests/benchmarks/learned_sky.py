"""Cloudless stretches by a Gaussian mixture and by the product's window rule, beside labels minute by minute.

Data: pvlib's `detect_clearsky` files (BSD-3; 151 labelled minutes), and whole days of measured level irradiance of
SURFRAD and MIDC stations, whose labels are those of pvlib's implementation of Reno and Hansen (Renewable Energy 90
(2016) 520) at one minute: a method's output, not a witness.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
from sklearn.mixture import GaussianMixture

from ingest.readings import Mask, Values
from monitor.model.gain import clear_cells

_STEP = "15min"
_LEAST_W = 50.0
# Where a station stands: latitude, longitude, height.
_GOLDEN, _BOULDER, _ALAMOSA = (39.742, -105.18, 1829.0), (39.91, -105.235, 1855.0), (37.70, -105.92, 2317.0)
_ALBUQUERQUE = (35.04, -106.62, 1619.0)


def labelled(folder: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Quarter hours with measured and cloudless irradiance and the label: of the labelled files, of whole days."""
    reference = folder / "pvlib_reference"
    files = [_told(reference / f"detect_clearsky_{name}.csv") for name in ("data", "threshold_data")]
    surfrad = pd.read_csv(reference / "surfrad-slv16001.dat", skiprows=2, header=None, sep=r"\s+")
    at = pd.to_datetime(dict(zip(("year", "month", "day", "hour", "minute"), (surfrad[n] for n in (0, 2, 3, 4, 5)),
                                 strict=True)), utc=True)  # fmt: skip
    bms = pd.read_csv(folder / "pvdaq_samples" / "midc_bms_ghi_20220120.csv")
    days = [
        _by_method(pd.Series(surfrad[8].to_numpy(float), pd.DatetimeIndex(at)), _ALAMOSA),
        _by_method(_bms(bms), _GOLDEN),
        *(_by_method(day, _BOULDER) for day in _midc(reference)),
    ]
    return pd.concat(files).sort_index(), pd.concat(days).sort_index()


def _told(path: Path) -> pd.DataFrame:
    table = pd.read_csv(path, comment="#")
    at = pd.DatetimeIndex(pd.to_datetime(table["Time (UTC)"], utc=True))
    ghi = pd.Series(table["GHI"].to_numpy(float), at)
    return _quarters(ghi, _cloudless(ghi, _ALBUQUERQUE), pd.Series(table["Clear or not"].to_numpy(bool), at))


def _bms(table: pd.DataFrame) -> pd.Series:
    return pd.Series(table.iloc[:, -1].to_numpy(float), pd.DatetimeIndex(pd.to_datetime(table.iloc[:, 0], utc=True)))


def _midc(reference: Path) -> list[pd.Series]:
    """A day of a station north of Boulder (MST)."""
    table = pd.read_csv(reference / "midc_20181014.txt")
    at = pd.to_datetime(table["DATE (MM/DD/YYYY)"] + " " + table["MST"]).dt.tz_localize("Etc/GMT+7")
    column = next(name for name in table if name.startswith("Global PSP [W"))
    return [pd.Series(table[column].to_numpy(float), pd.DatetimeIndex(at.dt.tz_convert("UTC")))]


def _by_method(ghi: pd.Series, spot: tuple[float, float, float]) -> pd.DataFrame:
    clear = _cloudless(ghi, spot)
    label = pvlib.clearsky.detect_clearsky(ghi, clear, times=ghi.index, window_length=10)
    return _quarters(ghi, clear, pd.Series(label, ghi.index))


def _cloudless(ghi: pd.Series, spot: tuple[float, float, float]) -> pd.Series:
    place = pvlib.location.Location(spot[0], spot[1], altitude=spot[2])
    return place.get_clearsky(pd.DatetimeIndex(ghi.index))["ghi"]


def _quarters(ghi: pd.Series, clear: pd.Series, label: pd.Series) -> pd.DataFrame:
    parts = {"ghi": ghi, "clear": clear, "label": label.astype(float)}
    found = pd.DataFrame({name: part.resample(_STEP).mean() for name, part in parts.items()})
    index = (ghi / clear).where(clear > _LEAST_W)
    found["spread"] = index.resample(_STEP).std()
    return found


def plain(table: pd.DataFrame) -> Mask:
    """The product's rule: windows of five quarter hours that keep the cloudless shape."""
    found = [
        clear_cells(day["ghi"].to_numpy(), day["clear"].to_numpy(), rated_w=1000.0 / 0.97 * 1.5, within=0.15)
        for _, day in table.groupby(pd.DatetimeIndex(table.index).date)
    ]
    return np.concatenate(found)


def mixture(table: pd.DataFrame, *, by_minute: bool) -> Mask:
    """Two sorts of quarter hours by index and its change, fitted on all of them; the brighter and steadier is clear.

    `by_minute`: with the scatter inside the quarter hour too, which exports of quarter hours do not have.
    """
    index = (table["ghi"] / table["clear"]).to_numpy()
    change = pd.Series(index).diff().abs().fillna(0.1).to_numpy()
    columns = [index, np.log(change + 1e-3)]
    columns += [np.log(table["spread"].fillna(0.1).to_numpy() + 1e-4)] if by_minute else []
    features = np.stack(columns, axis=1)
    lit = np.isfinite(features).all(axis=1) & (table["clear"] > _LEAST_W).to_numpy()
    model = GaussianMixture(2, random_state=0, n_init=5).fit(features[lit])
    clear = int(np.argmin(model.means_[:, -1]))
    found = np.zeros(len(table), dtype=bool)
    found[lit] = model.predict(features[lit]) == clear
    return found


def compare(folder: Path) -> None:
    """Agreement of both with the labels, quarter hour by quarter hour."""
    files, days = labelled(folder)
    lit = ((days["clear"] > _LEAST_W) & days["ghi"].notna() & days["label"].notna()).to_numpy()
    truth = (days["label"] > 0.5).to_numpy()[lit]
    print(f"\ncloudless or not, {lit.sum()} quarter hours of measured days, {truth.mean():.0%} of them labelled clear")
    print(f"{'':38} agrees  clear found  called clear wrongly")
    for name, said in (
        ("window rule", plain(days)), ("Gaussian mixture, quarter hours", mixture(days, by_minute=False)),
        ("Gaussian mixture, with minutes inside", mixture(days, by_minute=True)),
    ):  # fmt: skip
        _row(name, said[lit], truth)
    short = files[files["label"].notna() & (files["clear"] > _LEAST_W)]
    print(f"labelled files: {len(short)} quarter hours, {int((short['label'] > 0.5).sum())} of them clear")
    _row("window rule", plain(short), (short["label"] > 0.5).to_numpy())


def _row(name: str, said: Values, truth: Values) -> None:
    found = said[truth].mean() if truth.any() else float("nan")
    wrong = said[~truth].mean() if (~truth).any() else float("nan")
    print(f"{name:38} {np.mean(said == truth):6.0%}  {found:11.0%}  {wrong:20.0%}")
