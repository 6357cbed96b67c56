"""The time pressure takes to build, against Boyle's law and machines whose faults are known."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.reading import FloatArray, Readings
from models.build_up import TARGET_RATIO
from models.engine import decision_rows
from models.plant import SLOW, Duty, Faults, Machine, Weather, simulate
from models.plant_steps import saturation_pa
from models.records import Finding, Pattern
from models.state import PRESSURE_BUILT
from tests.unit.models.histories import DAY_S, MONDAY_MS, PARAMETERS, PROFILE, QUIET, fold, observed, seconds

RECEIVER = SLOW._replace(line_m3=0.2, line_leak_s=600.0, load_unload=True, idle_power_frac=0.3)
FAULT_S = 7 * DAY_S


def days(
    machine: Machine = RECEIVER,
    *,
    n_days: int = 10,
    air_c: float = 20.0,
    demand: FloatArray | float = 0.4,
    every_s: int = 10,
    **fault: float,
) -> Readings:
    """Three runs a day of half an hour; the fault, if any, begins after a week."""
    starts = [day * DAY_S + 3600 * hour for day in range(n_days) for hour in (7, 11, 15)]
    wanted = np.broadcast_to(demand, len(starts))
    changes = sorted(
        [(at, 0.0) for at in starts]
        + [(at + 240, float(level)) for at, level in zip(starts, wanted, strict=True)]
        + [(at + 1800, -1.0) for at in starts]
    )
    air = np.full(24 * n_days + 2, air_c)
    usual = {"leak_frac": 0.0}.get(next(iter(fault), ""), 1.0)
    truth = simulate(
        machine,
        weather=Weather(step_s=3600.0, temp_c=air, vapour_pa=np.full(len(air), 0.5 * saturation_pa(air_c))),
        duty=Duty(
            change_s=np.array([at for at, _ in changes]),
            demand_frac=np.array([level for _, level in changes]),
            drain_s=np.empty(0, np.int64),
        ),
        faults=Faults(
            change_s=np.array([0, FAULT_S]),
            stuck_open_frac=np.zeros(2),
            **{name: np.array([usual, value]) for name, value in fault.items()},
        ),
        start_at_ms=MONDAY_MS,
        duration_s=n_days * DAY_S,
        step_s=5,
        start_hours=100.0,
    )
    quiet = {field: getattr(QUIET, field) for field in QUIET.__dataclass_fields__}
    return observed(truth, type(QUIET)(**{**quiet, "every_s": every_s}))


def slow_builds(readings: Readings) -> list[Finding]:
    return [f for f in fold(readings).findings if f.pattern is Pattern.SLOW_PRESSURE_BUILD]


def timed_s(readings: Readings) -> FloatArray:
    _, rows = decision_rows(readings, PROFILE, PARAMETERS)
    return np.asarray(rows["features"][rows["kind"] == PRESSURE_BUILT][:, 0])


@pytest.mark.parametrize("litres", [100.0, 200.0, 350.0])
@pytest.mark.parametrize("every_s", [5, 10, 20])
def test_time_is_that_of_filling_sump_and_receiver(litres: float, every_s: int) -> None:
    """Boyle: free air in the volume at the target over atmospheric pressure, at the rated flow, less what
    the hoses lose in proportion to pressure; within half a reading for the start."""
    machine = RECEIVER._replace(line_m3=litres / 1000.0, load_unload=False)
    took_s = timed_s(days(machine, n_days=5, every_s=every_s))
    volume_m3 = machine.sump_gas_m3 + machine.line_m3
    target_kpa = TARGET_RATIO * PROFILE.max_pressure_kpa
    filling_kpa_s = 101.325 * machine.free_air_m3_s / volume_m3
    leak_s = machine.line_leak_s * volume_m3 / machine.line_m3
    expected_s = -leak_s * np.log(1.0 - target_kpa / (filling_kpa_s * leak_s))
    assert np.median(took_s) == pytest.approx(expected_s, rel=0.02, abs=0.55 * every_s)


@pytest.mark.parametrize("fault", [{"air_frac": 0.4}, {"leak_frac": 0.85}], ids=["worn", "leak"])
def test_lost_air_is_found_within_two_days(fault: dict[str, float]) -> None:
    (finding,) = slow_builds(days(**fault))
    assert FAULT_S < seconds(finding.start_at) <= seconds(finding.first_flagged_at) < FAULT_S + 2 * DAY_S
    assert finding.end_at is None


def test_a_sound_machine_is_not_slow() -> None:
    assert slow_builds(days(n_days=14)) == []


def test_a_few_slow_starts_are_none() -> None:
    """A blow-off stands open at every fifth start, from the first second."""
    wanted = np.where(np.arange(30) % 5 == 4, 2.0, 0.4)
    assert slow_builds(days(demand=wanted)) == []


@pytest.mark.parametrize("every_s", [60, 300])
def test_readings_too_far_apart_time_nothing(every_s: int) -> None:
    assert len(timed_s(days(air_frac=0.3, every_s=every_s))) == 0


def test_in_frost_nothing_is_timed() -> None:
    assert len(timed_s(days(air_c=-8.0, air_frac=0.3))) == 0
