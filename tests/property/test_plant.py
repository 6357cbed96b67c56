"""What must hold for any machine, weather and duty: balances, bounds, and no effect of being watched."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from models.machine_families import MACHINES, machine
from models.plant import Duty, Faults, Truth, Weather, simulate
from models.plant_steps import saturation_pa

duties = st.lists(
    st.tuples(st.integers(1, 5400), st.one_of(st.just(-1.0), st.floats(0.0, 2.5))), min_size=1, max_size=12
)


@st.composite
def histories(draw: st.DrawFn) -> dict[str, object]:
    legs = draw(duties)
    temp_c = draw(st.floats(-30.0, 42.0))
    rh = draw(st.floats(0.1, 0.99))
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    ends = np.cumsum([leg for leg, _ in legs])
    return {
        "machine": machine(draw(st.sampled_from(sorted(MACHINES))), draw(st.floats(12.0, 20.0)), rng),
        "weather": Weather(
            step_s=3600.0,
            temp_c=np.full(24, temp_c),
            vapour_pa=np.full(24, rh * saturation_pa(temp_c)),
            atm_kpa=draw(st.floats(75.0, 102.0)),
        ),
        "duty": Duty(
            change_s=np.concatenate([[0], ends[:-1]]).astype(np.int64),
            demand_frac=np.array([demand for _, demand in legs]),
            drain_s=np.empty(0, np.int64),
        ),
        "faults": Faults(change_s=np.array([0]), stuck_open_frac=np.array([draw(st.floats(0.0, 1.0))])),
        "duration_s": int(ends[-1]) + 3600,
        "start_port_water_g": draw(st.floats(0.0, 1.0)),
    }


def run(case: dict[str, object], step_s: int) -> Truth:
    return simulate(**case, start_at_ms=0, step_s=step_s)  # type: ignore[arg-type]


@settings(max_examples=60)
@given(histories())
def test_simulate_stays_within_what_is_possible(case: dict[str, object]) -> None:
    truth = run(case, 1)
    m, air = case["machine"], case["weather"]
    top_kpa = m.rated_kpa + m.band_kpa + air.atm_kpa * m.free_air_m3_s / m.sump_gas_m3  # type: ignore[attr-defined]
    for name in ("discharge_temp_c", "pressure_kpa", "port_pressure_kpa", "water_g", "port_ice_g"):
        assert np.isfinite(getattr(truth, name)).all(), name
    assert (truth.pressure_kpa >= 0.0).all()
    assert (truth.pressure_kpa <= top_kpa).all()
    assert (truth.water_g >= 0.0).all()
    assert (truth.port_ice_g <= truth.port_wet_g + 1e-9).all()
    assert truth.discharge_temp_c.min() >= truth.air_temp_c.min() - 0.5
    assert truth.discharge_temp_c.max() < 140.0


@settings(max_examples=40)
@given(histories())
def test_simulate_takes_no_more_water_than_the_air_brought(case: dict[str, object]) -> None:
    truth = run(case, 1)
    m, air = case["machine"], case["weather"]
    pa, temp_c = air.vapour_pa[0], air.temp_c[0]  # type: ignore[attr-defined]
    # Vapour density from the gas constant of water, 461.52 J/(kg K).
    brought_g = 1000.0 * pa / (461.52 * (temp_c + 273.15)) * truth.flow_frac.sum() * m.free_air_m3_s  # type: ignore[attr-defined]
    assert truth.water_g.max() <= brought_g * 1.002 + 1e-6


@settings(max_examples=40)
@given(histories(), st.sampled_from([2, 5, 10, 60]))
def test_simulate_rows_do_not_depend_on_how_often_they_are_kept(case: dict[str, object], step_s: int) -> None:
    fine, coarse = run(case, 1), run(case, step_s)
    assert np.array_equal(fine.discharge_temp_c[::step_s], coarse.discharge_temp_c)
    assert np.array_equal(fine.port_pressure_kpa[::step_s], coarse.port_pressure_kpa)
    assert fine.runs == coarse.runs


@settings(max_examples=40)
@given(histories())
def test_simulate_hour_meter_and_runs_agree(case: dict[str, object]) -> None:
    truth = run(case, 1)
    assert abs(sum(r.duration_s for r in truth.runs) - truth.hours[-1] * 3600.0) <= 1.0
    assert all(r.end_s > r.start_s for r in truth.runs)
    assert all(r.hot_s <= r.duration_s for r in truth.runs)
