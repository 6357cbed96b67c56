"""Water and ice in the pressure sensor's port, one second at a time, compiled; pressures are kPa gauge."""

from __future__ import annotations

import math

from ingest.units_of_measure import ZERO_CELSIUS_K
from models.compiled import kernel
from models.plant_machine import Machine
from models.plant_steps import saturation_pa

ICE_J_G = 334.0
"""Heat of fusion of water."""


@kernel
def port_water_step(machine: Machine, wet_g: float, ice_g: float, port_c: float, gas_pa: float) -> float:
    """Water in the sensing line one second on: condenses from the sump's gas, drains slowly. [g]"""
    if gas_pa > 0.0:
        excess_pa = gas_pa - saturation_pa(port_c)
        if excess_pa > 0.0:
            wet_g += machine.port_wetting_g_h / 3600.0 * min(excess_pa / 5000.0, 4.0)
    wet_g -= (wet_g - ice_g) / machine.port_drain_s
    return min(wet_g, machine.port_capacity_g)


@kernel
def ice_step(machine: Machine, wet_g: float, ice_g: float, port_c: float) -> float:
    """Ice in the port one second on: conduction carries off the heat of fusion. [g]"""
    if port_c > 0.0:
        return max(0.0, ice_g - machine.port_w_k * port_c / ICE_J_G)
    if ice_g > 0.0 or port_c < machine.port_freeze_c:
        return min(wet_g, ice_g - machine.port_w_k * port_c / ICE_J_G)
    return ice_g


@kernel
def port_step(
    machine: Machine,
    ice_g: float,
    sealed_abs_kpa_k: float,
    port_kpa: float,
    sump_kpa: float,
    port_c: float,
    atm_kpa: float,
) -> tuple[float, float, float]:
    """What the sensor feels, the sealed gas (absolute pressure over kelvin, 0 when open), the ice left.

    A full plug seals gas in; a thinner one damps; a plug that has thinned gives way at once.
    """
    plug_frac = ice_g / machine.port_plug_g
    if sealed_abs_kpa_k > 0.0:
        if plug_frac >= 0.7:
            return sealed_abs_kpa_k * (port_c + ZERO_CELSIUS_K) - atm_kpa, sealed_abs_kpa_k, ice_g
        return sump_kpa, 0.0, 0.4 * machine.port_plug_g
    if plug_frac >= 1.0:
        return port_kpa, (port_kpa + atm_kpa) / (port_c + ZERO_CELSIUS_K), ice_g
    if plug_frac > 0.5:
        lag_s = 3.0 * math.exp(12.0 * (plug_frac - 0.5))
        return port_kpa + (sump_kpa - port_kpa) / lag_s, 0.0, ice_g
    return sump_kpa, 0.0, ice_g
