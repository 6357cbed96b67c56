"""Two settings of the physics, from the file a site writes them in to the grams of its replay.

The same log of a cold run is imported into homes that differ in one setting; what the ledger then says is
held against the handbook. Sources: ASHRAE Handbook - Fundamentals, chapter 1, as computed by `psychrolib`
(saturation below freezing over ice; standard atmosphere); WMO-No. 8, annex 4.B, saturation over water.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from pathlib import Path
from typing import Any

import pytest
from CoolProp.CoolProp import HAPropsSI

from dewline.console import Terminal
from dewline.fleet import import_units
from dewline.logs import import_logs
from dewline.replay import Span, replay
from dewline.settings import load
from tests.external.handbook import psychrolib

AIR_C, RH_PCT, SUMP_C, GAUGE_KPA = -15.0, 90.0, 2.0, 500.0
START = dt.datetime(2026, 1, 5, tzinfo=dt.UTC)
STANDS_S, RUNS_S = 6 * 3600, 2 * 3600

pytestmark = pytest.mark.slow


def write_log(path: Path) -> None:
    """A unit that stands for hours, runs cold for two and stands again, by the quarter minute."""
    rows = ["time,unit,discharge_temp_c,pressure_kpa,hours,ambient_rh_pct,ambient_temp_c"]
    for at_s in range(0, STANDS_S + RUNS_S + 3600, 15):
        ran_s = min(max(at_s - STANDS_S, 0), RUNS_S)
        on = 0 < ran_s < RUNS_S
        ripple = at_s // 15 % 2
        temp_c = (SUMP_C if on else AIR_C) + 0.1 * ripple
        pressure_kpa = GAUGE_KPA + 3.0 * ripple if on else 0.0
        time = (START + dt.timedelta(seconds=at_s)).isoformat()
        hours = 100.0 + ran_s / 3600.0
        rows.append(f"{time},truck-07,{temp_c:.1f},{pressure_kpa},{hours:.2f},{RH_PCT + ripple},{AIR_C}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def run_of(
    home: Path, *, rh_over: str = "water", fleet_column: str = "altitude_m", altitude: float = 0.0
) -> Any:
    home.mkdir()
    (home / "dewline.toml").write_text(f'[analysis]\nrh_over = "{rh_over}"\nworkers = 1\n', encoding="utf-8")
    (home / "fleet.csv").write_text(f"unit,{fleet_column}\ntruck-07,{altitude}\n", encoding="utf-8")
    write_log(home / "log.csv")
    loaded, terminal = load(home), Terminal(quiet=True)
    import_units(loaded, home / "fleet.csv", terminal)
    import_logs(loaded, [home / "log.csv"], terminal, dry_run=False)
    replay(loaded, None, Span(), home / "out", terminal)
    (run,) = json.loads((home / "out" / "runs.json").read_text(encoding="utf-8"))
    return run


def wanted_g(delivered_m3: float, *, over_ice: bool, altitude_m: float) -> float:
    """What that volume of air leaves in a sump as cold as this, every figure from the handbook."""
    outside_pa = psychrolib.GetStandardAtmPressure(altitude_m)
    over_water_pa = 611.2 * math.exp(17.62 * AIR_C / (243.12 + AIR_C))
    saturated_pa = psychrolib.GetSatVapPres(AIR_C) if over_ice else over_water_pa
    ratio_in = psychrolib.GetHumRatioFromVapPres((RH_PCT + 0.5) / 100.0 * saturated_pa, outside_pa)
    # Under pressure air holds some percent more vapour than an ideal gas would.
    sump_pa = outside_pa + 1000.0 * (GAUGE_KPA + 1.5)
    ratio_out = HAPropsSI("W", "T", SUMP_C + 273.15, "P", sump_pa, "R", 1.0)
    dry_kg = delivered_m3 / psychrolib.GetMoistAirVolume(AIR_C, ratio_in, outside_pa)
    return float(1000.0 * dry_kg * (ratio_in - ratio_out))


def test_what_humidity_refers_to_in_frost(tmp_path: Path) -> None:
    water, ice = (run_of(tmp_path / over, rh_over=over) for over in ("water", "ice"))
    assert water["delivered_m3"] == ice["delivered_m3"] > 100.0
    wanted = {
        over: wanted_g(water["delivered_m3"], over_ice=over == "ice", altitude_m=0.0)
        for over in ("water", "ice")
    }
    assert wanted["water"] - wanted["ice"] > 20.0
    for run, over in ((water, "water"), (ice, "ice")):
        assert run["water_in_g"] == pytest.approx(wanted[over], rel=0.05)
    assert water["water_in_g"] - ice["water_in_g"] == pytest.approx(wanted["water"] - wanted["ice"], rel=0.05)


@pytest.mark.parametrize(("column", "altitude"), [("altitude_m", 2500.0), ("altitude_ft", 8202.1)])
def test_altitude(tmp_path: Path, column: str, altitude: float) -> None:
    low, high = run_of(tmp_path / "low"), run_of(tmp_path / "high", fleet_column=column, altitude=altitude)
    assert low["delivered_m3"] == high["delivered_m3"]
    wanted = [
        wanted_g(low["delivered_m3"], over_ice=False, altitude_m=altitude_m) for altitude_m in (0.0, 2500.0)
    ]
    assert abs(wanted[1] - wanted[0]) > 2.0
    assert high["water_in_g"] == pytest.approx(wanted[1], rel=0.05)
    assert high["water_in_g"] - low["water_in_g"] == pytest.approx(wanted[1] - wanted[0], rel=0.1)
