"""The constants of one simulated machine. Defaults are assumed values of one consistent parameter set."""

from __future__ import annotations

import math
from typing import NamedTuple


class Machine(NamedTuple):
    """Constants of one machine. Defaults: an assumed, consistent set for 80 CFM at 150 psi, ideal mixing."""

    free_air_m3_s: float = 0.0377558
    rated_kpa: float = 1034.0
    band_kpa: float = 70.0
    """Modulating: rated to fully shut inlet. Load/unload: rated to cut-out."""
    reload_drop_kpa: float = 100.0
    min_pressure_valve_kpa: float = 380.0
    load_unload: bool = False
    unloaded_kpa: float = 280.0
    unloaded_bleed_s: float = 15.0
    start_unloaded_s: float = 0.0
    """Inlet kept shut after a start. [s]"""
    restart_kpa: float = 100.0
    """The control allows no start while the pressure signal stands above this."""
    shaft_w: float = 19500.0
    idle_power_frac: float = 0.70
    """Shaft power at no flow over full-flow power: about 0.70 modulating, 0.25 unloaded."""
    loop_j_k: float = 38000.0
    """Thermal mass of oil and iron in the hot loop."""
    frame_j_k: float = 28000.0
    loop_frame_w_k: float = 60.0
    cooler_w_k: float = 280.0
    cooler_still_frac: float = 0.3
    """Cooler at rest: share of its running conductance through the valve's leak."""
    case_w_k: float = 12.0
    valve_open_c: float = 77.0
    valve_span_k: float = 11.0
    valve_leak_frac: float = 0.03
    valve_hysteresis_k: float = 0.0
    valve_lag_s: float = 0.0
    sump_gas_m3: float = 0.0105
    line_m3: float = 0.008
    """Hoses and receiver beyond the minimum-pressure valve."""
    line_leak_s: float = 14400.0
    blowdown_s: float = 8.0
    dry_effectiveness: float = 0.3
    """Share of the air's drying capacity used when water evaporates from hot oil."""
    water_capacity_g: float = 2000.0
    """Beyond this, water leaves with the air as droplets."""
    enclosure_rise_k: float = 0.0
    """The engine warms the air round the machine by this once it has run for a while."""
    port_gain_frac: float = 0.10
    """Sensor port's rise over the air as a share of the oil's."""
    port_lag_s: float = 900.0
    port_wetting_g_h: float = 0.2
    """Condensation in the sensing line per 5 kPa of excess vapour pressure."""
    port_drain_s: float = 400000.0
    port_capacity_g: float = 1.2
    port_freeze_c: float = -1.5
    """Supercooling: the first ice forms below this."""
    port_w_k: float = 0.04
    port_plug_g: float = 0.5
    """Ice that shuts the port."""
    shutdown_c: float = math.inf
    """Discharge temperature that stops it until the operator lets go; infinite without such a switch."""
    kit_rise_k: float = 0.0
    """Heat tracing: rise of the port over the air while the air is colder than 4 degC."""


FAST = Machine()
"""Ideal mixing."""
SLOW = Machine(loop_j_k=75000.0, dry_effectiveness=0.05)
"""Closer to practice: more iron takes part, oil gives its water up slowly."""
