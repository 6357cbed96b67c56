"""Write an examination fleet: logs as trucks would send them, and the hidden truth beside them.

`python -m tests.exam.write_fleet --simulator 1|2 --seed N --units 24 --days 45 --out DIR`
"""

from __future__ import annotations

import argparse
import datetime as dt
import gzip
import io
import json
import sys
from pathlib import Path
from types import ModuleType
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv

from . import habits, hidden, simulator_load_unload, simulator_modulating, telemetry, truth
from .weather import CLIMATES, make_weather

START = dt.datetime(2026, 1, 5, tzinfo=dt.UTC)
FLEET_COLUMNS = "unit,rated_cfm,hydraulic_gpm,max_pressure_kpa,altitude_m,cold_weather_kit,tz"
PLACES = (
    "humid_coast",
    "cold",
    "temperate",
    "cold",
    "humid_coast",
    "hot_dry",
    "cold",
    "altitude",
    "temperate",
    "cold",
)
CATEGORIES = ("faulty", "clean", "confounder")


def stamp(seconds: float) -> str:
    """Seconds after the fleet's start as RFC 3339."""
    return (START + dt.timedelta(seconds=float(seconds))).isoformat().replace("+00:00", "Z")


def make_twin(
    simulator: ModuleType, machine: NamedTuple, inputs: hidden.Inputs, course: hidden.Hidden
) -> truth.Twin:
    """A healthy unit that starts a given run from the same state in the same air."""

    def seconds_to_hot(run: int, horizon_s: int, at_full_flow: bool) -> float:
        a, b = int(course.start_s[run]), int(course.end_s[run])
        minutes = np.minimum(a // 60 + np.arange(horizon_s // 60 + 2), len(inputs.surroundings) - 1)
        around = inputs.surroundings[minutes].copy()
        around[:, hidden.VALVE_LEAK], around[:, hidden.VALVE_SHIFT_K] = 0.03, 0.0
        around[:, hidden.ICE_GROWTH] = 0.0
        own = inputs.demand[a:b]
        demand = np.full(horizon_s, 0.9, dtype=np.float32) if at_full_flow else np.resize(own, horizon_s)
        drive = hidden.Inputs(np.ones(horizon_s, dtype=np.int8), demand, around)
        twin = simulator.simulate(machine, drive, course.states[run])
        vapour = around[np.arange(len(twin.grid)) * hidden.GRID_S // 60, hidden.VAPOUR_PA]
        hot = truth.excess_k(twin.grid, vapour, twin.minimum_pressure_kpa, twin.atmosphere_kpa) >= 0.0
        return float(np.argmax(hot)) * hidden.GRID_S if hot.any() else float("inf")

    return seconds_to_hot


def write_csv(path: Path, unit: str, sent: telemetry.Sent) -> None:
    """Rows in the order in which they were received."""
    base_ms = int(START.timestamp()) * 1000
    times = pa.array(base_ms + sent.at_s.astype(np.int64) * 1000, pa.timestamp("ms")).cast(pa.timestamp("s"))
    columns = {
        "time": pc.strftime(times, format="%Y-%m-%dT%H:%M:%SZ"),
        "unit": pa.array([unit]).take(pa.array(np.zeros(len(sent.at_s), dtype=np.int32))),
        "discharge_temp_c": pa.array(sent.discharge_temp_c),
        "pressure_kpa": pa.array(sent.pressure_kpa),
        "hours": pa.array(sent.hours),
        "ambient_rh_pct": pa.array(sent.ambient_rh_pct),
    }
    if sent.ambient_temp_c is not None:
        columns["ambient_temp_c"] = pa.array(sent.ambient_temp_c)
    pacsv.write_csv(pa.table(columns), path, pacsv.WriteOptions(quoting_style="none"))


def write_log(path: Path, unit: str, sent: telemetry.Sent) -> None:
    """The same rows as JSON lines, as a message broker's log would hold them."""
    topic = f"compressors/{unit}/readings"
    # no modification time inside, so that a seed always gives the same bytes
    packed = gzip.GzipFile(path, "wb", compresslevel=4, mtime=0)
    with packed, io.TextIOWrapper(packed, encoding="utf-8") as lines:
        for i in range(len(sent.at_s)):
            payload = {
                "ts": stamp(sent.at_s[i]),
                "discharge_temp_c": float(sent.discharge_temp_c[i]),
                "pressure_kpa": float(sent.pressure_kpa[i]),
                "hours": float(sent.hours[i]),
                "ambient_rh_pct": float(sent.ambient_rh_pct[i]),
            }
            if sent.ambient_temp_c is not None:
                payload["ambient_temp_c"] = float(sent.ambient_temp_c[i])
            received = stamp(round(float(sent.received_s[i]), 3))
            lines.write(json.dumps({"topic": topic, "received": received, "payload": payload}) + "\n")


def _water_days(unit: str, grid: np.ndarray, days: int) -> list[dict[str, object]]:
    last = np.minimum((np.arange(1, days + 1) * 86_400) // hidden.GRID_S - 1, len(grid) - 1)
    return [
        {
            "unit": unit,
            "date": (START + dt.timedelta(days=d)).date().isoformat(),
            "grams": round(float(grid[i, hidden.WATER_G]), 2),
        }
        for d, i in enumerate(last)
    ]


def _kind(plan: habits.Plan, raw: truth.Episode) -> str:
    """The valve fault behind an episode, or else the chapter in which it became decidable."""
    at_s = int(str(raw["decidable_s"]))
    if raw["pattern"] == "never_reaching_temperature":
        for kind, first_min, after_min in plan.valve_faults:
            if first_min * 60 <= at_s < after_min * 60:
                return kind
    return next((c.kind for c in plan.chapters if c.start_s <= at_s < c.end_s), plan.chapters[-1].kind)


def _episode(unit: str, raw: truth.Episode, plan: habits.Plan) -> dict[str, object]:
    """An episode with instants in place of seconds."""
    out: dict[str, object] = {"unit": unit, "kind": _kind(plan, raw)}
    for key, value in raw.items():
        if key.endswith("_runs_s") or key == "runs_s":
            out[key[:-2]] = [stamp(s) for s in value]  # type: ignore[attr-defined]
        elif key.endswith("_s"):
            out["decidable_at" if key == "decidable_s" else key[:-2]] = stamp(float(str(value)))
        else:
            out[key] = round(value, 2) if isinstance(value, float) else value
    return out


def make_unit(kind: int, seed: int, index: int, days: int, out: Path) -> dict[str, object]:
    """Simulate, observe and write one unit; returns its share of fleet and truth."""
    rng = np.random.default_rng([seed, kind, index])
    simulator: ModuleType = (simulator_modulating, simulator_load_unload)[kind - 1]
    climate = CLIMATES[PLACES[index % len(PLACES)]]
    unit = f"ex{kind}-{index + 1:02d}"
    same_before = sum(PLACES[i % len(PLACES)] == climate.name for i in range(index))
    turn = same_before + int(np.random.default_rng([seed, kind, 4_000]).integers(0, 60))
    offset_s = int(START.astimezone(ZoneInfo(climate.tz)).utcoffset().total_seconds())  # type: ignore[union-attr]
    rated_cfm = float(rng.choice([80.0, 80.0, 80.0, 60.0, 100.0]))
    max_kpa = float(rng.choice([1034.0, 1034.0, 1034.0, 862.0]))
    altitude_m = float(np.round(rng.uniform(*climate.altitude_m)))
    kit = bool(climate.name == "cold" and rng.random() < 0.2)
    first = CATEGORIES[(index + index // 3) % 3]
    chapters = habits.choose_chapters(rng, climate.name, first, days, turn)
    air_c, vapour_pa = make_weather(rng, climate, days, offset_s / 3600.0)
    plan = habits.make_plan(rng, climate, air_c, vapour_pa, chapters, START, days, offset_s, kind == 2, kit)
    machine = simulator.draw(rng, rated_cfm, max_kpa, altitude_m)
    water_g = float(rng.choice([0.0, 0.0, 3.0]))
    course = simulator.simulate(machine, plan.inputs, simulator.first_state(machine, plan.inputs, water_g))
    box = telemetry.draw_controller(rng, kind)
    sent = telemetry.observe(rng, box, plan, course, days * 86_400)
    if box.log_form:
        write_log(out / f"readings-{unit}.jsonl.gz", unit, sent)
    else:
        write_csv(out / f"readings-{unit}.csv", unit, sent)
    plate = (rated_cfm, 18 * rated_cfm / 80, max_kpa, altitude_m)
    told_s = np.sort(sent.at_s[~sent.stale])
    runs = truth.run_facts(course, plan.inputs.surroundings, told_s, box.sampling_s)
    episodes = [
        *truth.short_cycling(course, runs),
        *truth.never_reaching(runs, make_twin(simulator, machine, plan.inputs, course)),
        *truth.icing(course, told_s),
    ]
    rows_inside = np.searchsorted(told_s, runs.end_s) - np.searchsorted(told_s, runs.start_s)
    return {
        "fleet": ",".join([unit, *(f"{x:g}" for x in plate), str(kit).lower(), climate.tz]),
        "truth": [_episode(unit, raw, plan) for raw in episodes],
        "runs": [
            {
                "unit": unit,
                "start": stamp(runs.start_s[i]),
                "end": stamp(runs.end_s[i]),
                "rows": int(rows_inside[i]),
                "hot_s": int(runs.hot_s[i]),
                "gain_g": round(float(runs.gain_g[i]), 2),
            }
            for i in range(len(runs.start_s))
        ],
        "water": _water_days(unit, course.grid, days),
        "chapters": [
            {
                "unit": unit,
                "start": stamp(c.start_s),
                "end": stamp(c.end_s),
                "kind": c.kind,
                "category": habits.KINDS[c.kind].category,
                "climate": climate.name,
            }
            for c in chapters
        ]
        + [
            {
                "unit": unit,
                "start": stamp(int(str(t["start_s"]))),
                "end": stamp(int(str(t["end_s"]))),
                "kind": t["kind"],
                "category": "telemetry",
                "climate": climate.name,
            }
            for t in sent.trouble
        ],
        "hidden": {
            "unit": unit,
            "machine": machine._asdict(),
            "sampling_s": box.sampling_s,
            "rows": len(sent.at_s),
            "silent_when_parked": box.silent_when_parked,
            "sends_ambient": box.sends_ambient,
            "hours_step": box.hours_step,
            "climate": climate.name,
        },
    }


def main(argv: list[str] | None = None) -> int:
    """Write a fleet and say what is in it."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--simulator", type=int, choices=(1, 2), required=True)
    words.add_argument("--seed", type=int, required=True)
    words.add_argument("--units", type=int, default=24)
    words.add_argument("--days", type=int, default=45)
    words.add_argument("--out", type=Path, required=True)
    chosen = words.parse_args(argv)
    chosen.out.mkdir(parents=True, exist_ok=True)
    for old in [*chosen.out.glob("readings-*"), *chosen.out.glob("truth*.json")]:
        old.unlink()
    units = [
        make_unit(chosen.simulator, chosen.seed, i, chosen.days, chosen.out) for i in range(chosen.units)
    ]
    (chosen.out / "fleet.csv").write_text(
        "\n".join([FLEET_COLUMNS, *(str(u["fleet"]) for u in units)]) + "\n"
    )
    for key, name in (
        ("truth", "truth"),
        ("runs", "truth_runs"),
        ("water", "truth_water"),
        ("chapters", "truth_chapters"),
    ):
        rows = [row for u in units for row in u[key]]  # type: ignore[attr-defined]
        (chosen.out / f"{name}.json").write_text(json.dumps(rows, indent=1))
    (chosen.out / "truth_machines.json").write_text(json.dumps([u["hidden"] for u in units], indent=1))
    n_rows = sum(u["hidden"]["rows"] for u in units)  # type: ignore[index]
    sys.stdout.write(f"{len(units)} units, {n_rows} rows in {chosen.out}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
