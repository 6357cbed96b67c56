"""What is fixed about a unit: ratings, site, owner. The register keeps these; the engine reads them.

Defaults describe the usual machine of this trade: 80 CFM at 150 psi on 18 gpm of hydraulic oil.
"""

from __future__ import annotations

import msgspec

LOWEST_ALTITUDE_M, HIGHEST_ALTITUDE_M = -2000.0, 11_000.0
"""Where the standard atmosphere's troposphere holds (ISO 2533): beyond, no air pressure is known."""


class UnitProfile(msgspec.Struct, frozen=True, kw_only=True):
    """One unit's nameplate, site and owner."""

    unit_id: str
    label: str = ""
    """What people call the truck; the board falls back to `unit_id`."""
    yard: str = ""
    customer: str = ""
    rated_cfm: float = 80.0
    """Free air at rated speed. [actual ft3/min at the inlet]"""
    hydraulic_gpm: float = 18.0
    """Hydraulic flow that drives it. [US gal/min]"""
    max_pressure_kpa: float = 1034.0
    """Rated sump pressure. [kPa gauge]"""
    min_pressure_valve_kpa: float = 380.0
    """Sump pressure held while air is delivered. [kPa gauge]"""
    oil_charge_kg: float = 8.3
    altitude_m: float = 0.0
    cold_weather_kit: bool = False
    """Heat traced sensing line."""
    exercise_interval_days: float = 7.0
    tz: str = "UTC"
    """IANA time zone of the yard: local times in e-mails and on the board."""
    provisional: bool = False
    """Registered by itself when it first spoke; nobody has confirmed the ratings yet."""

    def __post_init__(self) -> None:
        """Refuse a site without a known air pressure.

        Raises
        ------
        ValueError
            If the altitude is outside -2000..11000 m.
        """
        if not LOWEST_ALTITUDE_M <= self.altitude_m <= HIGHEST_ALTITUDE_M:
            raise ValueError(
                f"unit {self.unit_id!r}: altitude_m {self.altitude_m!r} is outside "
                f"{LOWEST_ALTITUDE_M:.0f}..{HIGHEST_ALTITUDE_M:.0f} m, where air pressure is known"
            )
