"""Machine two: load/unload against a receiver, three thermal lumps, oil injected below discharge temperature.

The air end heats the injected oil and air by a rise that follows the load; the vessel follows with the oil;
an engine bay, warmed by the truck's own engine or by a garage, surrounds both. The discharge sensor sits in
the pipe between them: it soaks up heat after a stop. Condensation happens in the vessel, which in a warm-up
is colder than the discharge. Little of this is visible from outside.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from .hidden import GRID_S, N_CHANNELS, PATIENCE, START_INHIBIT_KPA, Hidden, Inputs
from .humid_air import altitude_pressure_kpa, humidity_ratio, saturation_pa
from .ice_port import growth_now, port_step, wetness_step


class LoadUnload(NamedTuple):
    """One machine's own constants."""

    flow_m3_s: float
    loaded_w: float
    unloaded_share: float
    airend_j_k: float
    oil_j_k: float
    bay_j_k: float
    oil_stream_w_k: float
    """Oil circulation times its heat capacity."""
    cooler_effect: float
    vessel_bay_w_k: float
    bay_air_w_k: float
    valve_opens_c: float
    valve_span_k: float
    valve_lag_s: float
    cut_in_kpa: float
    cut_out_kpa: float
    unloaded_kpa: float
    bleed_s: float
    minimum_kpa: float
    over_line_kpa: float
    """Sump above line while loaded: check valve and element."""
    sump_m3: float
    receiver_m3: float
    leak_s: float
    blowdown_s: float
    atmosphere_kpa: float
    drying: float
    carry_per_s: float
    soak: float
    """Weight of the air end's metal in the stopped sensor's reading, 0-1."""
    sensor_lag_s: float
    pressure_lag_s: float


def draw(rng: np.random.Generator, rated_cfm: float, max_kpa: float, altitude_m: float) -> LoadUnload:
    """A machine of this kind, each with its own constants."""
    size = rated_cfm / 80.0
    mass = float(np.exp(rng.uniform(np.log(0.7), np.log(2.4))))
    return LoadUnload(
        flow_m3_s=rated_cfm * 4.71947e-4 * float(rng.uniform(0.9, 1.03)),
        loaded_w=18800.0 * size * float(rng.uniform(0.9, 1.1)),
        unloaded_share=float(rng.uniform(0.2, 0.38)),
        airend_j_k=float(rng.uniform(9e3, 20e3)),
        oil_j_k=33e3 * mass * size,
        bay_j_k=24e3 * mass * float(rng.uniform(0.7, 1.7)),
        oil_stream_w_k=float(rng.uniform(700.0, 1100.0)) * size,
        cooler_effect=float(rng.uniform(0.38, 0.55)),
        vessel_bay_w_k=float(rng.uniform(15.0, 45.0)),
        bay_air_w_k=float(rng.uniform(10.0, 40.0)),
        valve_opens_c=float(rng.uniform(73.0, 80.0)),
        valve_span_k=float(rng.uniform(7.0, 12.0)),
        valve_lag_s=float(rng.uniform(10.0, 40.0)),
        cut_in_kpa=max_kpa - float(rng.uniform(100.0, 210.0)),
        cut_out_kpa=max_kpa - float(rng.uniform(0.0, 20.0)),
        unloaded_kpa=float(rng.uniform(200.0, 350.0)),
        bleed_s=float(rng.uniform(4.0, 16.0)),
        minimum_kpa=float(rng.uniform(350.0, 410.0)),
        over_line_kpa=float(rng.uniform(12.0, 45.0)),
        sump_m3=float(rng.uniform(0.010, 0.022)),
        receiver_m3=float(rng.choice([0.075, 0.114, 0.2, 0.3])),
        leak_s=float(rng.uniform(3600.0, 40000.0)),
        blowdown_s=float(rng.uniform(6.0, 20.0)),
        atmosphere_kpa=altitude_pressure_kpa(altitude_m),
        drying=float(np.exp(rng.uniform(np.log(0.03), np.log(0.5)))),
        carry_per_s=float(rng.uniform(0.0, 1.0)) / 20000.0,
        soak=float(rng.uniform(0.15, 0.6)),
        sensor_lag_s=float(rng.uniform(15.0, 60.0)),
        pressure_lag_s=float(rng.uniform(1.0, 4.0)),
    )


N_STATES = 17


@njit(cache=True)
def _pressure_step(
    m: LoadUnload, p: float, line: float, loaded: float, wanted: float
) -> tuple[float, float, float, float]:
    """Sump, line, whether loaded, and delivered share after one second."""
    supply = m.flow_m3_s * m.atmosphere_kpa
    pull = wanted * supply * (line + m.atmosphere_kpa) / (m.cut_out_kpa + m.atmosphere_kpa)
    if loaded > 0.5 and line >= m.cut_out_kpa:
        loaded = 0.0
    elif loaded < 0.5 and line <= m.cut_in_kpa:
        loaded = 1.0
    flow = 0.0
    if loaded > 0.5:
        flow = 1.0
        target = max(m.minimum_kpa, line + m.over_line_kpa)
        p_filled = p + supply / m.sump_m3
        if p_filled < target:
            p = p_filled
            line -= pull / m.receiver_m3
        else:
            p = target
            line += (supply - pull) / m.receiver_m3
    else:
        p += (m.unloaded_kpa - p) / m.bleed_s
        line -= pull / m.receiver_m3
    return p, max(0.0, line), loaded, flow


@njit(cache=True)
def _water_step(
    m: LoadUnload, water: float, vapour_pa: float, p: float, vessel_c: float, dry_air_kg_s: float
) -> float:
    """Retained water after one second with air flowing; it all lies in one pool. [g]"""
    if dry_air_kg_s <= 0.0:
        return water
    w_in = humidity_ratio(vapour_pa, m.atmosphere_kpa * 1000.0)
    w_full = humidity_ratio(saturation_pa(vessel_c), (p + m.atmosphere_kpa) * 1000.0)
    if w_in > w_full:
        gain = 1000.0 * dry_air_kg_s * (w_in - w_full)
    else:
        gain = 1000.0 * m.drying * dry_air_kg_s * (w_in - w_full) * (water / (water + 2.5))
    water = max(0.0, water + gain)
    water -= water * m.carry_per_s
    if water > 350.0:
        water -= (water - 350.0) / 300.0
    return water


@njit(cache=True)
def _heat_step(
    m: LoadUnload,
    airend: float,
    oil: float,
    bay: float,
    valve: float,
    running: bool,
    heat: float,
    leak: float,
    shift: float,
    ambient: float,
    bay_goal: float,
    dry_air_kg_s: float,
) -> tuple[float, float, float, float]:
    """Air end, oil and bay temperatures and valve position after one second."""
    if running:
        want = min(1.0, max(leak, (oil - m.valve_opens_c - shift) / m.valve_span_k))
        valve += (want - valve) / m.valve_lag_s
        injected = oil - valve * m.cooler_effect * (oil - ambient)
        stream = m.oil_stream_w_k * (1.0 if oil > 20.0 else max(0.35, 1.0 + (oil - 20.0) / 60.0))
        # the oil film in the air end settles within seconds, the casting behind it does not
        out_c = injected + heat / stream
        airend += stream * 0.55 * (out_c - airend) / m.airend_j_k
        oil += (stream * (airend - oil) - dry_air_kg_s * 1020.0 * (oil - ambient)) / m.oil_j_k
    else:
        valve += (leak - valve) / 300.0
        passing = 12.0 * (airend - oil)
        airend -= (passing + 9.0 * (airend - bay)) / m.airend_j_k
        oil += passing / m.oil_j_k
    loss = m.vessel_bay_w_k * (oil - bay)
    oil -= loss / m.oil_j_k
    bay += (loss - m.bay_air_w_k * (bay - bay_goal)) / m.bay_j_k
    return airend, oil, bay, valve


@njit(cache=True)
def _run(
    m: LoadUnload, command: np.ndarray, demand: np.ndarray, around: np.ndarray, state: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    n = len(command)
    out = np.zeros((n // GRID_S, N_CHANNELS), dtype=np.float32)
    starts = np.zeros(n // 30 + 2, dtype=np.int64)
    ends = np.zeros(n // 30 + 2, dtype=np.int64)
    states = np.zeros((4000, len(state)))
    runs = 0
    airend, oil, bay, valve, p, line = state[0], state[1], state[2], state[3], state[4], state[5]
    loaded, water = state[6], state[7]
    ice, wet, sealed, trap, reading, port = state[8], state[9], state[10], state[11], state[12], state[13]
    sensor, refused, before, stopped_s = state[14], state[15], 0, 0.0
    running = False
    for t in range(n):
        env = around[t // 60]
        ambient, vapour = env[0], env[1]
        wish = command[t]
        if wish and not before:
            if reading > START_INHIBIT_KPA:
                refused += 1.0
                if refused >= PATIENCE:
                    ice, sealed, refused = 0.0, 0.0, 0.0
            elif runs < 4000:
                running = True
                refused, loaded = 0.0, 1.0 if line < m.cut_out_kpa - 10.0 else 0.0
                starts[runs] = t
                states[runs] = np.array(
                    [airend, oil, bay, valve, p, line, loaded, water, 0, 0, 0, 0, p, port, sensor, 0, 0]
                )
                runs += 1
        if running and not wish:
            running = False
            ends[runs - 1] = t
        before = wish
        flow, heat, dry_air = 0.0, 0.0, 0.0
        if running:
            p, line, loaded, flow = _pressure_step(m, p, line, loaded, demand[t])
            level = 0.5 + 0.5 * min(1.0, p / m.cut_out_kpa)
            heat = m.loaded_w * (level if flow > 0.0 else m.unloaded_share)
            dry_air = (
                m.flow_m3_s * flow * (m.atmosphere_kpa * 1000.0 - vapour) / (287.055 * (ambient + 273.15))
            )
        else:
            p -= p / m.blowdown_s
            line -= line / m.leak_s
        airend, oil, bay, valve = _heat_step(
            m, airend, oil, bay, valve, running, heat, env[2], env[3], ambient, env[7], dry_air
        )
        water = _water_step(m, water, vapour, p, oil, dry_air)
        port += (ambient + env[6] * ((oil - ambient) if running else 0.4 * (bay - ambient)) - port) / 1100.0
        wet = wetness_step(wet, running, water, port)
        growth = growth_now(env[4], p)
        ice, wet, sealed, trap, reading = port_step(
            ice, wet, sealed, trap, reading, port, p, m.atmosphere_kpa, growth, env[5], m.pressure_lag_s
        )
        stopped_s = 0.0 if running else stopped_s + 1.0
        felt = airend if running else oil + m.soak * (airend - oil) + 0.25 * (bay - oil)
        if 0.0 < stopped_s < 3600.0:
            # the casting goes on heating the pipe when no oil carries its heat away
            x = stopped_s / 300.0
            felt += m.soak * 12.0 * x * np.exp(1.0 - x) * max(0.0, airend - bay) / 60.0
        sensor += (felt - sensor) / (m.sensor_lag_s if running else 240.0)
        if t % GRID_S == 0:
            row = out[t // GRID_S]
            row[0], row[1], row[2], row[3], row[4] = (1.0 if running else 0.0), airend, sensor, p, reading
            row[5], row[6], row[7], row[8] = water, water, flow, port
            row[9] = 2.0 if sealed > 0.5 else (1.0 if ice > 0.4 else 0.0)
    if running:
        ends[runs - 1] = n
    return out, starts[:runs], ends[:runs], states[:runs]


def first_state(m: LoadUnload, inputs: Inputs, water_g: float) -> np.ndarray:
    """Cold-soaked, vented, with some water standing from before."""
    state = np.zeros(N_STATES)
    state[[0, 1, 2, 13, 14]] = float(inputs.surroundings[0, 7])
    state[7] = water_g
    return state


def simulate(m: LoadUnload, inputs: Inputs, state: np.ndarray) -> Hidden:
    """Run the machine through its inputs from a state."""
    grid, starts, ends, states = _run(m, inputs.command, inputs.demand, inputs.surroundings, state)
    return Hidden(grid, starts, ends, states, m.minimum_kpa, m.atmosphere_kpa)
