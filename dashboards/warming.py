"""The warm-up forecast in words: where the run levels off, and when it will be hot. Pure."""

from __future__ import annotations

from dashboards import display
from dashboards.display import System
from models.records import WarmUpForecast


def heading(forecast: WarmUpForecast, system: System) -> str:
    """The level most likely."""
    return display.temp(forecast.level_c, system)


def heading_range(forecast: WarmUpForecast, system: System) -> str:
    """Where nine runs in ten level off, and when this one will be hot."""
    low = f"{display.temp_value(forecast.level_low_c, system):.0f}"
    high = display.temp(forecast.level_high_c, system)
    return f"{low} to {high} in nine runs of ten; {hot_when(forecast)}"


def hot_when(forecast: WarmUpForecast) -> str:
    """When the run will be hot, counted from its start."""
    soonest, latest = forecast.to_hot_low_min, forecast.to_hot_high_min
    if soonest is None:
        return "not hot within the hour"
    if latest is None:
        return f"hot after {soonest:.0f}\u202fmin at the soonest, perhaps not within the hour"
    if round(soonest) == round(latest):
        return f"hot after {latest:.0f}\u202fmin"
    return f"hot after {soonest:.0f} to {latest:.0f}\u202fmin"
