"""One second of the simulated machine's heat and air, compiled; pressures are kPa gauge unless said."""

from __future__ import annotations

import math

from ingest.units_of_measure import ZERO_CELSIUS_K
from models.compiled import kernel
from models.plant_machine import Machine

LATENT_J_KG = 2.35e6
MARGIN_K = 10.0
"""Required temperature over the pressure dew point."""
FLOOR_C = 65.0
"""Required temperature at least."""


@kernel
def saturation_pa(temp_c: float) -> float:
    """Saturation pressure over water, over ice below 0.01 degC (Hyland and Wexler 1983). [Pa]"""
    t = temp_c + ZERO_CELSIUS_K
    if temp_c < 0.01:
        return math.exp(
            -5674.5359 / t
            + 6.3925247
            + t * (-9.677843e-3 + t * (6.2215701e-7 + t * (2.0747825e-9 - 9.484024e-13 * t)))
            + 4.1635019 * math.log(t)
        )
    return math.exp(
        -5800.2206 / t
        + 1.3914993
        + t * (-4.8640239e-2 + t * (4.1764768e-5 - 1.4452093e-8 * t))
        + 6.5459673 * math.log(t)
    )


@kernel
def humidity_ratio(vapour_pa: float, abs_pa: float) -> float:
    """Water per dry air; far beyond any need once the air is all vapour. [kg/kg]"""
    if vapour_pa >= 0.98 * abs_pa:
        return 30.0
    return 0.621945 * vapour_pa / (abs_pa - vapour_pa)


@kernel
def valve_open_frac(machine: Machine, temp_c: float, before_frac: float, stuck_frac: float) -> float:
    """Share of the oil sent through the cooler, with hysteresis, lag and a jammed valve. [0-1]"""
    half_k = 0.5 * machine.valve_hysteresis_k
    low = (temp_c - half_k - machine.valve_open_c) / machine.valve_span_k
    high = (temp_c + half_k - machine.valve_open_c) / machine.valve_span_k
    wanted = min(max(before_frac, low), high)
    wanted = max(min(wanted, 1.0), machine.valve_leak_frac, stuck_frac)
    return before_frac + (wanted - before_frac) / max(machine.valve_lag_s, 1.0)


@kernel
def shaft_power_w(machine: Machine, sump_kpa: float, flow_frac: float) -> float:
    """Power the drive puts into the air end at this flow; less while the sump still fills. [W]"""
    pressed_frac = min(1.0, 0.5 + 0.5 * sump_kpa / machine.rated_kpa) if flow_frac > 0.0 else 1.0
    return (
        machine.shaft_w
        * pressed_frac
        * (machine.idle_power_frac + (1.0 - machine.idle_power_frac) * flow_frac)
    )


@kernel
def is_hot(temp_c: float, sump_vapour_pa: float) -> bool:
    """At or above the required temperature, told without solving for the dew point."""
    return temp_c >= FLOOR_C and saturation_pa(temp_c - MARGIN_K) >= sump_vapour_pa


@kernel
def heat_step(
    machine: Machine, loop_c: float, frame_c: float, air_c: float, power_w: float, lost_w_k: float
) -> tuple[float, float]:
    """Loop and frame temperature one second on; `lost_w_k` from loop to air. [degC]"""
    across_w = machine.loop_frame_w_k * (loop_c - frame_c)
    loop_w = power_w - lost_w_k * (loop_c - air_c) - across_w
    frame_w = across_w - machine.case_w_k * (frame_c - air_c)
    return loop_c + loop_w / machine.loop_j_k, frame_c + frame_w / machine.frame_j_k


@kernel
def inlet_frac(machine: Machine, now_kpa: float, rise_kpa: float) -> float:
    """Modulating inlet, solved at the pressure it leads to: an explicit step would hunt. [0-1]"""
    if now_kpa + rise_kpa <= machine.rated_kpa:
        return 1.0
    shut_kpa = machine.rated_kpa + machine.band_kpa
    return max(0.0, min(1.0, (shut_kpa - now_kpa) / (machine.band_kpa + rise_kpa)))


@kernel
def air_step(
    machine: Machine,
    sump_kpa: float,
    line_kpa: float,
    atm_kpa: float,
    demand_frac: float,
    leak_frac: float,
    air_frac: float,
    running: bool,
    loaded: bool,
) -> tuple[float, float, float, bool]:
    """Sump and line pressure one second on, intake as a share of what it can make, loaded or not."""
    rated_abs_kpa = machine.rated_kpa + atm_kpa
    made_m3 = air_frac * machine.free_air_m3_s
    tool_m3 = (demand_frac + leak_frac) * machine.free_air_m3_s * (line_kpa + atm_kpa) / rated_abs_kpa
    line_kpa -= min(line_kpa, atm_kpa * tool_m3 / machine.line_m3 + line_kpa / machine.line_leak_s)
    flow = 0.0
    if not running:
        sump_kpa -= sump_kpa / machine.blowdown_s
    else:
        both_m3 = machine.sump_gas_m3 + machine.line_m3
        joined = sump_kpa >= machine.min_pressure_valve_kpa and sump_kpa >= line_kpa - 1.0
        now_kpa = (
            (machine.sump_gas_m3 * sump_kpa + machine.line_m3 * line_kpa) / both_m3 if joined else sump_kpa
        )
        rise_kpa = atm_kpa * made_m3 / (both_m3 if joined else machine.sump_gas_m3)
        flow = inlet_frac(machine, now_kpa, rise_kpa) if loaded else 0.0
        sump_kpa += flow * atm_kpa * made_m3 / machine.sump_gas_m3
        if not loaded and sump_kpa > machine.unloaded_kpa:
            sump_kpa -= (sump_kpa - machine.unloaded_kpa) / machine.unloaded_bleed_s
        if not loaded and sump_kpa < machine.unloaded_kpa:
            sump_kpa += min(machine.unloaded_kpa - sump_kpa, 40.0)
        if sump_kpa > machine.min_pressure_valve_kpa and sump_kpa > line_kpa:
            level_kpa = (machine.sump_gas_m3 * sump_kpa + machine.line_m3 * line_kpa) / both_m3
            level_kpa = max(level_kpa, machine.min_pressure_valve_kpa)
            line_kpa += (sump_kpa - level_kpa) * machine.sump_gas_m3 / machine.line_m3
            sump_kpa = level_kpa
        if machine.load_unload:
            if loaded and max(sump_kpa, line_kpa) >= machine.rated_kpa:
                loaded = False
            elif not loaded and line_kpa <= machine.rated_kpa - machine.reload_drop_kpa:
                loaded = True
    return sump_kpa, line_kpa, flow, loaded


@kernel
def gained_water_kg(
    machine: Machine, loop_c: float, abs_pa: float, water_g: float, intake_kg: float, w_in: float
) -> float:
    """Water gained by the sump in one second; negative when drying. [kg]"""
    w_full = humidity_ratio(saturation_pa(loop_c), abs_pa)
    if w_in > w_full:
        return intake_kg * (w_in - w_full)
    dried_kg = machine.dry_effectiveness * intake_kg * (w_full - w_in) * min(1.0, water_g / 2.0)
    return -min(water_g / 1000.0, dried_kg)
