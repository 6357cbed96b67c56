"""The simulated machine's whole history in one compiled loop of one-second steps.

`models.plant` is the way in; nothing else should call this file. Pressures are kPa gauge unless said.
"""

from __future__ import annotations

import numpy as np

from ingest.reading import FloatArray, IntArray
from ingest.units_of_measure import ZERO_CELSIUS_K
from models.compiled import kernel
from models.plant_ice import ice_step, port_step, port_water_step
from models.plant_machine import Machine
from models.plant_steps import (
    LATENT_J_KG,
    air_step,
    gained_water_kg,
    heat_step,
    humidity_ratio,
    is_hot,
    saturation_pa,
    shaft_power_w,
    valve_open_frac,
)

AIR_EVERY_S = 60
"""Air outside changes slowly: its figures are renewed once a minute."""
WORKING_PRESSURE_FRAC = 0.5
"""Share of the minimum-pressure valve's setting from which the sump counts as under working pressure."""
NEVER_S = -1.0
"""Stands in the run table where something did not happen."""

TRUTH_COLUMNS = (
    "running",
    "discharge_temp_c",
    "air_temp_c",
    "vapour_pa",
    "pressure_kpa",
    "port_pressure_kpa",
    "line_pressure_kpa",
    "port_temp_c",
    "port_ice_g",
    "port_wet_g",
    "water_g",
    "flow_frac",
    "hours",
    "start_inhibited",
)
RUN_COLUMNS = (
    "start_s",
    "end_s",
    "start_temp_c",
    "peak_temp_c",
    "hot_s",
    "first_hot_s",
    "twin_first_hot_s",
    "water_start_g",
    "water_end_g",
    "delivered_m3",
    "stuck_frac_peak",
)


@kernel
def step_value(
    at_s: int, index: int, value: float, change_s: IntArray, values: FloatArray
) -> tuple[float, int]:
    """A step function's value at `at_s`, and the index of its next change."""
    while index < len(change_s) and change_s[index] <= at_s:
        value = values[index]
        index += 1
    return value, index


@kernel
def between(x: float, values: FloatArray) -> float:
    """`values` at the fractional index `x`, linear in between."""
    x = min(x, len(values) - 1.000001)
    low = int(x)
    return float(values[low] + (x - low) * (values[low + 1] - values[low]))


@kernel
def open_run(run: FloatArray, at_s: int, loop_c: float, water_g: float) -> None:
    """First figures of a run's row."""
    run[0], run[2], run[3] = at_s, loop_c, loop_c
    run[5], run[6], run[7] = NEVER_S, NEVER_S, water_g


@kernel
def note_run(
    run: FloatArray,
    machine: Machine,
    at_s: int,
    hot: bool,
    twin_hot: bool,
    loop_c: float,
    flow: float,
    stuck: float,
) -> None:
    """One more second of a run's row."""
    if hot:
        run[4] += 1.0
        if run[5] < 0.0:
            run[5] = at_s - run[0]
    if twin_hot and run[6] < 0.0:
        run[6] = at_s - run[0]
    run[3] = max(run[3], loop_c)
    run[9] += flow * machine.free_air_m3_s
    run[10] = max(run[10], stuck)


@kernel
def run_machine(
    machine: Machine,
    n_s: int,
    out_step_s: int,
    atm_kpa: float,
    air_every_s: float,
    air_temp_c: FloatArray,
    vapour_pa: FloatArray,
    change_s: IntArray,
    demand_frac: FloatArray,
    fault_s: IntArray,
    faults: FloatArray,
    drain_s: IntArray,
    start: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Truth columns, shape (len(TRUTH_COLUMNS), n), and one row a run, shape (n_runs, len(RUN_COLUMNS)).

    `start`: loop and frame temperature [degC], water [g], hour meter [h], port water [g],
    pressure [kPa].
    """
    truth = np.zeros((len(TRUTH_COLUMNS), (n_s + out_step_s - 1) // out_step_s))
    runs = np.zeros((len(change_s) + 2, len(RUN_COLUMNS)))
    no_water = np.zeros(len(drain_s))
    loop_c, frame_c, water_g, hours, wet_g = start[0], start[1], start[2], start[3], start[4]
    twin_c, twin_frame_c, twin_valve, valve = (
        loop_c,
        frame_c,
        machine.valve_leak_frac,
        machine.valve_leak_frac,
    )
    still_w_k = machine.cooler_still_frac * machine.valve_leak_frac * machine.cooler_w_k
    sump_kpa = line_kpa = port_kpa = start[5]
    flow = ice_g = sealed = near_rise_k = 0.0
    port_c = air_temp_c[0] + (machine.kit_rise_k if air_temp_c[0] < 4.0 else 0.0)
    running, loaded, n_runs = False, True, 0
    i_change = i_fault = i_drain = 0
    demand, stuck, cooler, air, leak, tripped = -1.0, 0.0, 1.0, 1.0, 0.0, False
    air_c = vap_pa = w_in = air_kg_s = 0.0
    working_kpa = WORKING_PRESSURE_FRAC * machine.min_pressure_valve_kpa
    for s in range(n_s):
        if s % AIR_EVERY_S == 0:
            air_c, vap_pa = between(s / air_every_s, air_temp_c), between(s / air_every_s, vapour_pa)
            w_in = humidity_ratio(vap_pa, atm_kpa * 1000.0)
            air_kg_s = (
                machine.free_air_m3_s * (atm_kpa * 1000.0 - vap_pa) / (287.042 * (air_c + ZERO_CELSIUS_K))
            )
        demand, i_change = step_value(s, i_change, demand, change_s, demand_frac)
        while i_fault < len(fault_s) and fault_s[i_fault] <= s:
            stuck, cooler, air, leak = (
                faults[i_fault, 0],
                faults[i_fault, 1],
                faults[i_fault, 2],
                faults[i_fault, 3],
            )
            i_fault += 1
        water_g, i_drain = step_value(s, i_drain, water_g, drain_s, no_water)

        tripped = demand >= 0.0 and (tripped or (running and loop_c >= machine.shutdown_c))
        wanted = demand >= 0.0 and not tripped
        inhibited = wanted and not running and port_kpa > machine.restart_kpa
        if wanted and not running and not inhibited:
            running, loaded = True, True
            twin_c, twin_frame_c, twin_valve = loop_c, frame_c, machine.valve_leak_frac
            open_run(runs[n_runs], s, loop_c, water_g)
            n_runs += 1
        elif running and not wanted:
            running = False
            runs[n_runs - 1, 1], runs[n_runs - 1, 8] = s, water_g

        starting = running and s - runs[n_runs - 1, 0] < machine.start_unloaded_s
        sump_kpa, line_kpa, flow, loaded_now = air_step(
            machine,
            sump_kpa,
            line_kpa,
            atm_kpa,
            max(demand, 0.0),
            leak,
            air,
            running,
            loaded and not starting,
        )
        loaded = loaded if starting else loaded_now
        near_rise_k += ((machine.enclosure_rise_k if running else 0.0) - near_rise_k) / 900.0
        near_c = air_c + near_rise_k
        gas_pa = 0.0
        if running:
            intake_kg = air_kg_s * air * flow
            abs_pa = (sump_kpa + atm_kpa) * 1000.0
            sump_vapour_pa = vap_pa * abs_pa / (atm_kpa * 1000.0)
            gained_kg = gained_water_kg(machine, loop_c, abs_pa, water_g, intake_kg, w_in)
            power_w = shaft_power_w(machine, sump_kpa, flow) + LATENT_J_KG * gained_kg
            air_w_k = intake_kg * (1006.0 + 1860.0 * w_in)
            valve = valve_open_frac(machine, loop_c, valve, stuck)
            twin_valve = valve_open_frac(machine, twin_c, twin_valve, 0.0)
            run = runs[n_runs - 1]
            hot = sump_kpa >= working_kpa and is_hot(loop_c, sump_vapour_pa)
            twin_hot = sump_kpa >= working_kpa and run[6] < 0.0 and is_hot(twin_c, sump_vapour_pa)
            note_run(run, machine, s, hot, twin_hot, loop_c, air * flow, stuck)
            cooler_w_k, twin_w_k = valve * cooler * machine.cooler_w_k, twin_valve * machine.cooler_w_k
            loop_c, frame_c = heat_step(machine, loop_c, frame_c, near_c, power_w, air_w_k + cooler_w_k)
            twin_c, twin_frame_c = heat_step(
                machine, twin_c, twin_frame_c, near_c, power_w, air_w_k + twin_w_k
            )
            water_g = min(water_g + 1000.0 * gained_kg, machine.water_capacity_g)
            hours += 1.0 / 3600.0
            gas_pa = saturation_pa(loop_c)
            if water_g < 1.0:
                gas_pa = min(gas_pa, sump_vapour_pa)
        else:
            valve = machine.valve_leak_frac
            loop_c, frame_c = heat_step(machine, loop_c, frame_c, near_c, 0.0, still_w_k)

        kit_k = machine.kit_rise_k if near_c < 4.0 else 0.0
        port_c += (near_c + kit_k + machine.port_gain_frac * (loop_c - near_c) - port_c) / machine.port_lag_s
        wet_g = port_water_step(machine, wet_g, ice_g, port_c, gas_pa)
        ice_g = ice_step(machine, wet_g, ice_g, port_c)
        port_kpa, sealed, ice_g = port_step(machine, ice_g, sealed, port_kpa, sump_kpa, port_c, atm_kpa)

        if s % out_step_s == 0:
            out = truth[:, s // out_step_s]
            out[0], out[1], out[2], out[3] = 1.0 if running else 0.0, loop_c, near_c, vap_pa
            out[4], out[5], out[6], out[7] = sump_kpa, port_kpa, line_kpa, port_c
            out[8], out[9], out[10], out[11] = ice_g, wet_g, water_g, air * flow
            out[12], out[13] = hours, 1.0 if inhibited else 0.0
    if running:
        runs[n_runs - 1, 1], runs[n_runs - 1, 8] = n_s, water_g
    return truth, runs[:n_runs]
