"""What the engine takes as given: margins, limits, the physics it can't measure. One frozen table.

A site changes these in its settings. Values that no reading can tell (drying effectiveness, heat losses)
carry a low and a high beside the best guess, and the ledger's bounds are computed from those.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Parameters:
    """Engine parameters with the trade's defaults."""

    required_margin_k: float = 10.0
    """Above the pressure dew point; range 5 to 15 K (common practice)."""
    required_floor_c: float = 65.0
    """Below this oil is not called hot however dry the air is."""
    rh_over_water: bool = True
    """Relative humidity below 0 degC is taken over liquid water (WMO-No. 8), not over ice."""
    harmful_water_fraction: float = 0.005
    """Retained water that does harm, as a fraction of the oil charge."""
    dry_water_fraction: float = 0.1
    """The sump counts as dry again below this fraction of the harmful amount."""
    short_run_min: float = 15.0
    """A wet run ends sooner than this..."""
    wet_hot_min: float = 5.0
    """...and was hot for less than this."""
    wet_gain_g: float = 0.5
    """...and left at least this much more water behind. Less than the sensors can tell is not a gain. [g]"""
    drying_low: float = 0.03
    drying_best: float = 0.1
    drying_high: float = 0.5
    """Effectiveness of drying: what leaves over what saturated air could carry. No published figure is
    known; the range spans still sumps to well mixed ones, and the best guess lies between its middle and what
    a dry-out run of 20 to 30 minutes (published trade figure) needs to drive off a harmful amount:
    `docs/physics.md`, section 11. [-]"""
    cooling_time_constant_min: float = 120.0
    """First guess of how fast a stopped unit cools; learnt from each long stop. [min]"""
    daily_swing_k: float = 5.0
    """Half the usual difference between afternoon and night, carried between two cold soaks. [K]"""
    working_pressure_fraction: float = 0.5
    """Of the minimum-pressure valve's setting: below it the sump is not under working pressure."""
    silent_after_h: float = 96.0
    """Nothing heard for so long is unusual even over a long weekend; the unit's own habits may allow more."""
    gap_s: float = 600.0
    """A silence longer than this is not bridged as if nothing had happened."""
    carrying_air_floor: float = 0.1
    """Least part of rated air assumed while running loaded: control air, leaks, the tool's own idling. [-]"""
