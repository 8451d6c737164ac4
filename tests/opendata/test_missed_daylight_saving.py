"""Three years of a real logger that follows daylight saving where it should not, and real ones with a right clock.

Data: PVDAQ system 50 (SERF, Golden, Colorado; CC BY 4.0, doi 10.25984/1846021) with its labelled shifts, and SERF
East, as shipped with pvanalytics. From March to November the stamps of the first are an hour late.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
from click.testing import CliRunner

from monitor.cli import aftercare
from tests.opendata.test_real_inverter import FLEET, SITE

# Days on which clocks changed in Colorado.
CHANGES = ((date(2012, 3, 11), date(2012, 11, 4)), (date(2013, 3, 10), date(2013, 11, 3)))
FIRST_DAY, FIRST_AUTUMN = date(2011, 4, 15), date(2011, 11, 6)


def findings_of(fleet: Path, readings: pd.Series, *, modules: int, rated_w: int) -> list[dict[str, Any]]:
    """Clock errors that a replay of an inverter's readings (stamps in UTC) ends with."""
    (fleet / "sites").mkdir(parents=True)
    (fleet / "incoming").mkdir()
    (fleet / "fleet.toml").write_text(FLEET)
    first = readings.index[0].date()
    site = SITE.replace('"Etc/GMT+7"', '"America/Denver"').replace(
        "commissioned = 2016-07-01", f"commissioned = {first}"
    )
    site = site[: site.index('[[source]]\nid = "satellite"')]
    site = site.replace("rated_ac_w = 6000", f"rated_ac_w = {rated_w}").replace("modules = 24", f"modules = {modules}")
    (fleet / "sites" / "serf.toml").write_text(site)
    readings.rename("ac_power").rename_axis("measured_on").to_csv(fleet / "incoming" / "ac.csv")
    runner = CliRunner()
    for words in (["ingest", str(fleet)], ["assess", str(fleet), "--from", first.isoformat()]):
        result = runner.invoke(aftercare, words)
        assert result.exit_code == 0, result.output
    told = json.loads(runner.invoke(aftercare, ["findings", str(fleet), "--all", "--json"]).stdout)
    print(*(f"\n{f['since']} {f['raised']} {f['cleared']} {f['subject']} {f['summary']}" for f in told["findings"]))
    return [f for f in told["findings"] if f["cause"] in ("clock_error", "data_fault", "energy_imbalance")]


def read(path: Path, column: str) -> pd.Series:
    table = pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path)
    table.index = pd.DatetimeIndex(pd.to_datetime(table.iloc[:, 0], utc=True)).tz_localize(None).as_unit("s")
    return table.loc[~table.index.duplicated(), column].sort_index().astype(float)


def test_every_summer_of_the_shifted_logger_is_found(opendata: Path, tmp_path: Path) -> None:
    readings = read(opendata / "pvdaq_samples" / "system_50_ac_power_2_full_DST.parquet", "ac_power_2")
    found = findings_of(tmp_path / "fleet", readings, modules=15, rated_w=3600)
    clocks = [f for f in found if f["cause"] == "clock_error"]
    (standing,) = [f for f in clocks if f["evidence"]["way"] == "standing"]
    assert (date.fromisoformat(standing["since"]) - FIRST_DAY).days <= 1
    assert (date.fromisoformat(standing["cleared"]) - FIRST_AUTUMN).days <= 14
    for spring, autumn in CHANGES:
        (one,) = [f for f in clocks if f["since"] == spring.isoformat()]
        assert (date.fromisoformat(one["raised"]) - spring).days <= 7
        assert one["cleared"] is not None
        assert (date.fromisoformat(one["cleared"]) - autumn).days <= 14
    assert len(found) == len(clocks) == len(CHANGES) + 1


def test_the_clock_of_the_same_house_s_other_inverter_is_right(opendata: Path, tmp_path: Path) -> None:
    readings = read(opendata / "pvdaq_samples" / "serf_east_15min_ac_power.csv", "ac_power")
    assert findings_of(tmp_path / "fleet", readings, modules=24, rated_w=6000) == []
