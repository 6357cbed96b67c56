"""Machine one: a modulating inlet, two thermal lumps, a wax valve with lag and hysteresis, a switching fan.

The band of the inlet ends at the rated pressure: the valve is shut at `closed_kpa` and fully open at
`closed_kpa - band_kpa`. Water is split between oil (dissolved) and a free layer.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from .hidden import GRID_S, N_CHANNELS, PATIENCE, START_INHIBIT_KPA, Hidden, Inputs
from .humid_air import altitude_pressure_kpa, humidity_ratio, saturation_pa
from .ice_port import growth_now, port_step, wetness_step


class Modulating(NamedTuple):
    """One machine's own constants."""

    flow_m3_s: float
    shaft_w: float
    idle_share: float
    """Power with the inlet shut, as a share of full."""
    loop_j_k: float
    """Oil and air end."""
    vessel_j_k: float
    """Vessel, reservoir and frame."""
    loop_vessel_w_k: float
    cooler_fan_w_k: float
    cooler_still_w_k: float
    case_w_k: float
    valve_opens_c: float
    valve_span_k: float
    valve_lag_s: float
    valve_hysteresis_k: float
    fan_on_c: float
    fan_off_c: float
    closed_kpa: float
    band_kpa: float
    minimum_kpa: float
    separator_kpa: float
    sump_m3: float
    line_m3: float
    leak_s: float
    blowdown_s: float
    atmosphere_kpa: float
    oil_kg: float
    solubility_g_kg: float
    """Water that the oil dissolves at 50 degC. [g/kg]"""
    drying: float
    cold_wall: float
    """How far the separating gas lies from loop towards vessel temperature, 0-1."""
    sensor_lag_s: float
    pressure_lag_s: float


def draw(rng: np.random.Generator, rated_cfm: float, max_kpa: float, altitude_m: float) -> Modulating:
    """A machine of this kind, each with its own constants."""
    size = rated_cfm / 80.0
    mass = float(np.exp(rng.uniform(np.log(0.75), np.log(2.6))))
    opens = float(rng.uniform(74.0, 80.0))
    # most fans turn whenever the pump does; the others follow a thermostat in the oil
    fan_on = float(rng.uniform(84.0, 90.0)) if rng.random() < 0.35 else -100.0
    return Modulating(
        flow_m3_s=rated_cfm * 4.71947e-4 * float(rng.uniform(0.93, 1.02)),
        shaft_w=19500.0 * size * float(rng.uniform(0.92, 1.08)) * (max_kpa / 1034.0) ** 0.45,
        idle_share=float(rng.uniform(0.55, 0.72)),
        loop_j_k=38e3 * mass * size,
        vessel_j_k=26e3 * mass * float(rng.uniform(0.8, 1.6)),
        loop_vessel_w_k=float(rng.uniform(40.0, 160.0)),
        cooler_fan_w_k=300.0 * size * float(rng.uniform(0.9, 1.25)),
        cooler_still_w_k=float(rng.uniform(90.0, 150.0)),
        case_w_k=float(rng.uniform(8.0, 18.0)),
        valve_opens_c=opens,
        valve_span_k=float(rng.uniform(8.0, 13.0)),
        valve_lag_s=float(rng.uniform(15.0, 60.0)),
        valve_hysteresis_k=float(rng.uniform(0.5, 3.0)),
        fan_on_c=fan_on,
        fan_off_c=fan_on - float(rng.uniform(5.0, 9.0)),
        closed_kpa=max_kpa,
        band_kpa=float(rng.uniform(69.0, 345.0)),
        minimum_kpa=float(rng.uniform(350.0, 420.0)),
        separator_kpa=float(rng.uniform(7.0, 25.0)),
        sump_m3=float(rng.uniform(0.009, 0.02)),
        line_m3=float(rng.choice([0.012, 0.03, 0.075, 0.114])),
        leak_s=float(rng.uniform(1800.0, 30000.0)),
        blowdown_s=float(rng.uniform(20.0, 90.0)) / 3.4,
        atmosphere_kpa=altitude_pressure_kpa(altitude_m),
        oil_kg=float(rng.uniform(7.4, 9.2)),
        solubility_g_kg=float(rng.uniform(0.15, 0.6)),
        drying=float(np.exp(rng.uniform(np.log(0.02), np.log(0.5)))),
        cold_wall=float(rng.uniform(0.0, 0.2)),
        sensor_lag_s=float(rng.uniform(5.0, 25.0)),
        pressure_lag_s=float(rng.uniform(1.0, 3.0)),
    )


N_STATES = 17


@njit(cache=True)
def _inlet(m: Modulating, p_kpa: float) -> float:
    return min(1.0, max(0.0, (m.closed_kpa - p_kpa) / m.band_kpa))


@njit(cache=True)
def _pressure_step(m: Modulating, p: float, line: float, wanted: float) -> tuple[float, float, float]:
    """Sump and line one second on, and the inlet's opening; linearly implicit, since the band is stiff."""
    opening = _inlet(m, p)
    supply = m.flow_m3_s * m.atmosphere_kpa
    pull = wanted * supply / (m.closed_kpa + m.atmosphere_kpa)
    if p < m.minimum_kpa:
        p = min(p + supply * opening / m.sump_m3, m.minimum_kpa + 1.0)
        line -= pull * (line + m.atmosphere_kpa) / m.line_m3
        return p, max(line, 0.0), opening
    volume = m.line_m3 + m.sump_m3
    rate = (supply * opening - pull * (line + m.atmosphere_kpa)) / volume
    bend = pull / volume + (supply / m.band_kpa / volume if 0.0 < opening < 1.0 else 0.0)
    line = max(0.0, line + rate / (1.0 + bend))
    if rate > 0.0:
        line = min(line, max(m.closed_kpa - m.separator_kpa, line - rate / (1.0 + bend)))
    return max(m.minimum_kpa, line + m.separator_kpa * opening), line, opening


@njit(cache=True)
def _water_step(
    m: Modulating,
    free: float,
    oil_water: float,
    vapour_pa: float,
    p: float,
    gas_c: float,
    dry_air_kg_s: float,
) -> tuple[float, float]:
    """Free and dissolved water after one second with air flowing. [g]"""
    soluble = m.oil_kg * m.solubility_g_kg * 2.0 ** ((gas_c - 50.0) / 30.0)
    if dry_air_kg_s > 0.0:
        w_in = humidity_ratio(vapour_pa, m.atmosphere_kpa * 1000.0)
        w_full = humidity_ratio(saturation_pa(gas_c), (p + m.atmosphere_kpa) * 1000.0)
        if w_in > w_full:
            free += 1000.0 * dry_air_kg_s * (w_in - w_full)
        else:
            wet_share = min(1.0, free / 3.0)
            activity = wet_share + (1.0 - wet_share) * min(1.0, oil_water / soluble)
            gain = 1000.0 * m.drying * dry_air_kg_s * (w_in - activity * w_full)
            from_free = gain * wet_share if gain < 0.0 else 0.0
            free = max(0.0, free + from_free)
            oil_water = max(0.0, oil_water + gain - from_free)
    trade = (soluble - oil_water) / 900.0
    trade = min(trade, free) if trade > 0.0 else trade / 4.0
    free -= trade
    oil_water += trade
    if free > 250.0 and dry_air_kg_s > 0.0:
        free -= (free - 250.0) / 400.0
    return free, oil_water


@njit(cache=True)
def _heat_step(
    m: Modulating,
    loop: float,
    vessel: float,
    valve: float,
    fan: float,
    running: bool,
    opening: float,
    p: float,
    leak: float,
    shift: float,
    ambient: float,
    bay: float,
    dry_air_kg_s: float,
) -> tuple[float, float, float, float]:
    """Loop and vessel temperatures, valve position and fan after one second."""
    heat = 0.0
    cooler = 0.0
    if running:
        effort = 0.45 + 0.55 * min(1.0, p / m.closed_kpa)
        heat = m.shaft_w * (m.idle_share + (1.0 - m.idle_share) * opening) * effort
        edge = m.valve_opens_c + shift + (0.0 if valve < 0.5 else -m.valve_hysteresis_k)
        want = min(1.0, max(leak, (loop - edge) / m.valve_span_k))
        valve += (want - valve) / m.valve_lag_s
        if loop > m.fan_on_c:
            fan = 1.0
        elif loop < m.fan_off_c:
            fan = 0.0
        # a valve that leaks keeps the cooler warm, so its fan thermostat hardly matters in the cold
        cooler = valve * (m.cooler_fan_w_k if fan > 0.5 else m.cooler_still_w_k)
    carried = dry_air_kg_s * 1020.0 * (loop - ambient)
    between = m.loop_vessel_w_k * (1.0 if running else 0.45) * (loop - vessel)
    loop += (heat - cooler * (loop - ambient) - carried - between) / m.loop_j_k
    vessel += (between - m.case_w_k * (vessel - bay)) / m.vessel_j_k
    return loop, vessel, valve, fan


@njit(cache=True)
def _run(
    m: Modulating, command: np.ndarray, demand: np.ndarray, around: np.ndarray, state: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    n = len(command)
    out = np.zeros((n // GRID_S, N_CHANNELS), dtype=np.float32)
    starts = np.zeros(n // 30 + 2, dtype=np.int64)
    ends = np.zeros(n // 30 + 2, dtype=np.int64)
    states = np.zeros((4000, len(state)))
    runs = 0
    loop, vessel, valve, fan, p, line = state[0], state[1], state[2], state[3], state[4], state[5]
    free, oil_water = state[6], state[7]
    ice, wet, sealed, trap, reading, port = state[8], state[9], state[10], state[11], state[12], state[13]
    sensor, refused, before = state[14], state[15], 0
    running = False
    for t in range(n):
        env = around[t // 60]
        ambient, vapour, bay = env[0], env[1], env[7]
        wish = command[t]
        if wish and not before:
            if reading > START_INHIBIT_KPA:
                refused += 1.0
                if refused >= PATIENCE:
                    ice, sealed, refused = 0.0, 0.0, 0.0
            elif runs < 4000:
                running = True
                refused = 0.0
                starts[runs] = t
                states[runs] = np.array(
                    [loop, vessel, valve, fan, p, line, free, oil_water, 0, 0, 0, 0, p, port, sensor, 0, 0]
                )
                runs += 1
        if running and not wish:
            running = False
            ends[runs - 1] = t
        before = wish
        opening = 0.0
        dry_air = 0.0
        if running:
            p, line, opening = _pressure_step(m, p, line, demand[t])
            # air into the sump that stays there while it fills counts too: the water comes with it
            dry_air = (
                m.flow_m3_s * opening * (m.atmosphere_kpa * 1000.0 - vapour) / (287.055 * (ambient + 273.15))
            )
        else:
            p -= p / m.blowdown_s
            line -= line / m.leak_s
        loop, vessel, valve, fan = _heat_step(
            m, loop, vessel, valve, fan, running, opening, p, env[2], env[3], ambient, bay, dry_air
        )
        gas_c = loop + m.cold_wall * (vessel - loop)
        free, oil_water = _water_step(m, free, oil_water, vapour, p, gas_c, dry_air)
        port_goal = ambient + (env[6] * (loop - ambient) if running else 0.08 * (vessel - ambient))
        port += (port_goal - port) / 1500.0
        wet = wetness_step(wet, running, free, port)
        growth = growth_now(env[4], p)
        ice, wet, sealed, trap, reading = port_step(
            ice, wet, sealed, trap, reading, port, p, m.atmosphere_kpa, growth, env[5], m.pressure_lag_s
        )
        # stopped, no oil passes the sensor: it follows the metal around it
        felt = loop if running else 0.7 * loop + 0.3 * vessel
        sensor += (felt - sensor) / (m.sensor_lag_s if running else 180.0)
        if t % GRID_S == 0:
            row = out[t // GRID_S]
            row[0], row[1], row[2], row[3], row[4] = (1.0 if running else 0.0), loop, sensor, p, reading
            row[5], row[6], row[7], row[8] = free + oil_water, free, opening, port
            row[9] = 2.0 if sealed > 0.5 else (1.0 if ice > 0.4 else 0.0)
    if running:
        ends[runs - 1] = n
    return out, starts[:runs], ends[:runs], states[:runs]


def first_state(m: Modulating, inputs: Inputs, water_g: float) -> np.ndarray:
    """Cold-soaked, vented, with some water standing from before."""
    ambient = float(inputs.surroundings[0, 0])
    state = np.zeros(N_STATES)
    state[[0, 1, 13, 14]] = ambient
    state[6] = water_g
    state[7] = 0.3 * m.oil_kg * m.solubility_g_kg
    return state


def simulate(m: Modulating, inputs: Inputs, state: np.ndarray) -> Hidden:
    """Run the machine through its inputs from a state."""
    grid, starts, ends, states = _run(m, inputs.command, inputs.demand, inputs.surroundings, state)
    return Hidden(grid, starts, ends, states, m.minimum_kpa, m.atmosphere_kpa)
