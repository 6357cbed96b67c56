"""Labels follow the written meaning of each pattern, and fleets hold what a fair examination needs."""

from __future__ import annotations

import datetime as dt
import functools
from collections import Counter

import numpy as np
import pytest

from ingest.profile import UnitProfile
from models.fleets import FleetUnit, fleet, fleet_unit, make_unit, plain_spec
from models.labels import Label, labels_of, never_reaching_temperature, pressure_sensor_icing, short_cycling
from models.machine_families import KINDS
from models.patterns import LEARNT
from models.plant import SLOW, Duty, Faults, Machine, Truth, Weather, simulate
from models.plant_steps import saturation_pa

DAY_S = 86400
OIL_KG = 8.3
JANUARY_MS = int(dt.datetime(2024, 1, 8, tzinfo=dt.UTC).timestamp() * 1000)


def history(
    runs: list[tuple[float, float, float]],
    *,
    temp_c: float,
    rh: float = 0.8,
    days: int = 12,
    machine: Machine = SLOW,
    stuck_frac: float = 0.0,
    port_water_g: float = 0.0,
) -> Truth:
    """Runs as (start day, minutes, demand)."""
    changes = [
        change
        for start_d, minutes, demand in runs
        for change in ((int(start_d * DAY_S), demand), (int(start_d * DAY_S + minutes * 60), -1.0))
    ]
    n = days * 24 + 2
    return simulate(
        machine,
        weather=Weather(
            step_s=3600.0, temp_c=np.full(n, temp_c), vapour_pa=np.full(n, rh * saturation_pa(temp_c))
        ),
        duty=Duty(
            change_s=np.array([c[0] for c in changes], np.int64),
            demand_frac=np.array([c[1] for c in changes]),
            drain_s=np.empty(0, np.int64),
        ),
        faults=Faults(change_s=np.array([0]), stuck_open_frac=np.array([stuck_frac])),
        start_at_ms=JANUARY_MS,
        duration_s=days * DAY_S,
        start_port_water_g=port_water_g,
    )


def clear(labels: list[Label]) -> list[Label]:
    return [label for label in labels if not label.marginal]


def at_ms(day: float) -> int:
    return JANUARY_MS + int(day * DAY_S * 1000)


def test_short_cycling_from_the_first_wet_run_until_dried() -> None:
    wet = [(0.5 + i, 3.0, 0.8) for i in range(5)]
    truth = history([*wet, (7.0, 240.0, 0.8)], temp_c=28.0, rh=0.7)
    (label,) = short_cycling(truth, "unit", OIL_KG)
    assert not label.marginal
    assert label.start_at_ms == at_ms(0.5)
    assert at_ms(7.0) < label.end_at_ms < at_ms(7.0) + 240 * 60_000
    assert len(label.moments_at_ms) == 5
    assert label.decidable_at_ms == at_ms(3.5) + 3 * 60_000
    assert label.harm_at_ms is not None
    assert label.harm_at_ms <= label.decidable_at_ms


@pytest.mark.parametrize(
    ("runs", "temp_c", "rh"),
    [
        ([(1.0, 3.0, 0.8)], 28.0, 0.7),
        ([(0.5 + i, 3.0, 0.8) for i in range(6)], -18.0, 0.7),
        ([(1.0, 120.0, 0.8), *[(1.1 + 0.012 * i, 4.0, 0.8) for i in range(8)]], 21.0, 0.6),
        ([(0.5 + i, 90.0, 0.8) for i in range(6)], 25.0, 0.6),
        ([(0.5 + 9 * i, 3.0, 0.8) for i in range(5)], 28.0, 0.7),
    ],
    ids=["one short run", "dry cold air", "top-up of a hot machine", "long runs", "too seldom"],
)
def test_short_cycling_is_not(runs: list[tuple[float, float, float]], temp_c: float, rh: float) -> None:
    truth = history(runs, temp_c=temp_c, rh=rh, days=45 if runs[-1][0] > 12 else 12)
    assert clear(short_cycling(truth, "unit", OIL_KG)) == []


def test_short_cycling_ends_with_the_history_when_never_dried() -> None:
    truth = history([(0.5 + i, 3.0, 0.8) for i in range(6)], temp_c=28.0, rh=0.7)
    (label,) = short_cycling(truth, "unit", OIL_KG)
    assert label.end_at_ms == at_ms(12.0)


def test_never_reaching_temperature_joins_consecutive_runs() -> None:
    truth = history([(1.0, 60.0, 0.2), (1.2, 3.0, 0.2), (2.0, 45.0, 0.2)], temp_c=5.0, stuck_frac=1.0)
    (label,) = never_reaching_temperature(truth, "unit")
    assert not label.marginal
    assert (label.start_at_ms, label.end_at_ms) == (at_ms(1.0), at_ms(2.0) + 45 * 60_000)
    assert len(label.moments_at_ms) == 2
    twin_s = truth.runs[0].twin_first_hot_s
    assert twin_s is not None
    assert label.decidable_at_ms == at_ms(1.0) + int(1000 * max(900.0, 2.0 * twin_s))


def test_never_reaching_temperature_twin_is_a_sound_machine_from_the_same_start() -> None:
    runs = [(1.0, 60.0, 0.2), (1.05, 60.0, 0.5)]
    jammed = history(runs[:1], temp_c=5.0, stuck_frac=1.0)
    sound = history(runs[:1], temp_c=5.0)
    assert jammed.runs[0].first_hot_s is None
    assert sound.runs[0].first_hot_s == sound.runs[0].twin_first_hot_s
    # Condensation warms the jammed machine a little longer; the twin shares its load and nothing else.
    assert jammed.runs[0].twin_first_hot_s == pytest.approx(sound.runs[0].first_hot_s, rel=0.1)


@pytest.mark.parametrize(
    ("runs", "temp_c", "stuck_frac"),
    [
        ([(1.0, 14.0, 0.1)], -25.0, 1.0),
        ([(1.0, 60.0, 0.8)], -25.0, 0.0),
        ([(1.0, 120.0, 0.05)], 21.0, 0.0),
    ],
    ids=["cold first quarter of an hour", "cold start of a sound machine", "light load"],
)
def test_never_reaching_temperature_is_not(
    runs: list[tuple[float, float, float]], temp_c: float, stuck_frac: float
) -> None:
    truth = history(runs, temp_c=temp_c, stuck_frac=stuck_frac)
    assert clear(never_reaching_temperature(truth, "unit")) == []


def iced(port_gain_frac: float, runs: list[tuple[float, float, float]], **changes: float) -> Truth:
    machine = SLOW._replace(port_gain_frac=port_gain_frac, port_drain_s=1e9, **changes)
    return history(runs, temp_c=-12.0, days=4, machine=machine, port_water_g=1.0)


def test_icing_while_vented_reads_near_zero_and_recovers_with_a_step() -> None:
    truth = iced(0.30, [(2.0, 120.0, 0.7)])
    (label,) = pressure_sensor_icing(truth, "unit")
    assert at_ms(2.0) <= label.start_at_ms <= at_ms(2.0) + 20_000
    assert label.end_at_ms < at_ms(2.0) + 120 * 60_000
    began = (label.start_at_ms - JANUARY_MS) // 10_000
    ended = (label.end_at_ms - JANUARY_MS) // 10_000
    assert np.abs(truth.port_pressure_kpa[began : ended + 1]).max() < 40.0
    assert truth.port_pressure_kpa[ended + 1] - truth.port_pressure_kpa[ended] > 800.0


def test_icing_under_pressure_reads_high_after_the_stop_and_refuses_the_start() -> None:
    truth = iced(0.005, [(0.0, 300.0, 0.7), (1.0, 30.0, 0.7)], port_freeze_c=-0.5, port_w_k=0.02)
    (label,) = pressure_sensor_icing(truth, "unit")
    assert label.start_at_ms == pytest.approx(at_ms(0.0) + 300 * 60_000, abs=60_000)
    assert label.harm_at_ms == pytest.approx(at_ms(1.0), abs=20_000)
    assert len(truth.runs) == 1
    assert truth.start_inhibited.sum() == pytest.approx(30 * 6, abs=2)


def test_icing_gas_shut_in_follows_its_temperature() -> None:
    """1034 kPa shut in at 40 degC read 853 kPa at -10 degC: ideal gas at constant volume."""
    from models.plant_ice import port_step

    sealed = (1034.0 + 101.3) / 313.15
    kpa, _, _ = port_step(SLOW, SLOW.port_plug_g, sealed, 1034.0, 0.0, -10.0, 101.3)
    assert kpa == pytest.approx(853.0, abs=1.0)


def test_icing_not_with_a_heated_line_nor_in_warm_weather() -> None:
    heated = iced(0.30, [(2.0, 120.0, 0.7)], kit_rise_k=25.0)
    warm = history([(2.0, 120.0, 0.7)], temp_c=8.0, port_water_g=1.0)
    for truth in (heated, warm):
        assert pressure_sensor_icing(truth, "unit") == []
        assert truth.port_ice_g.max() == 0.0


@functools.cache
def some_units(kind: str) -> tuple[FleetUnit, ...]:
    return tuple(fleet(11, 18, 10, kind))


@pytest.mark.parametrize("kind", KINDS)
def test_fleet_holds_every_pattern_and_units_without_any(kind: str) -> None:
    units = some_units(kind)
    with_pattern = Counter(p for u in units for p in {label.pattern for label in u.labels})
    assert set(with_pattern) >= set(LEARNT)
    assert sum(not u.labels for u in units) >= 3
    assert len({u.profile.unit_id for u in units}) == len(units)


@pytest.mark.parametrize("kind", KINDS)
def test_fleet_readings_and_labels_lie_within_the_history(kind: str) -> None:
    for unit in some_units(kind):
        assert (np.diff(unit.readings.observed_at_ms) > 0).all()
        for label in unit.labels:
            assert unit.start_at_ms <= label.start_at_ms <= label.end_at_ms <= unit.end_at_ms
            assert label.start_at_ms <= label.decidable_at_ms <= label.end_at_ms


def test_fleet_kinds_share_neither_family_nor_climate_nor_operator() -> None:
    training, held_out = KINDS["training"], KINDS["held_out"]
    for name in ("families", "climates", "operators"):
        assert not set(getattr(training, name)) & set(getattr(held_out, name))


def test_fleet_unit_repeats_alone_what_the_fleet_made() -> None:
    alone = fleet_unit(11, 17, days=10, kind="training")
    among = some_units("training")[17]
    for name in ("observed_at_ms", "received_at_ms", "discharge_temp_c", "pressure_kpa", "hours"):
        assert np.array_equal(getattr(alone.readings, name), getattr(among.readings, name), equal_nan=True)
    assert alone.labels == among.labels


def test_fleet_unit_can_leave_kinds_out() -> None:
    unit = fleet_unit(1, 0, days=2, machine_families=("compact",), operator_names=("idle",))
    assert unit.spec.family == "compact"
    assert unit.spec.operator.name == "idle"
    with pytest.raises(KeyError, match="no_such"):
        fleet_unit(1, 0, days=2, kind="no_such")


def test_make_unit_from_a_plain_spec_keeps_the_truth_on_request() -> None:
    rng = np.random.default_rng(3)
    spec = plain_spec(
        UnitProfile(unit_id="rail-07"), climate="cold", operator="all_day", wet_port=True, rng=rng
    )
    unit = make_unit(spec, start_at_ms=JANUARY_MS, days=5, rng=rng, keep_truth=True)
    assert unit.truth is not None
    assert unit.labels == labels_of(unit.truth, unit_id="rail-07", oil_charge_kg=8.3)
    assert unit.profile.unit_id == unit.readings.unit_id == "rail-07"
    assert len(unit.water_g) == 5 * 24
