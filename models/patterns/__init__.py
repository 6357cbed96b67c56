"""Ways in which a unit goes wrong, one file each: what speaks for it, in words, and when it opens and closes.

`LEARNT` patterns are judged by a trained model, each at one kind of decision moment; `NOVEL` ones by a model
that has seen sound units only; `BY_RULE` patterns need none, for their meaning is a comparison that any
technician could make. `SUPPRESSED_BY` says which finding explains which.
"""

from __future__ import annotations

from types import ModuleType

from models.patterns import (
    never_reaching_temperature,
    overheating,
    pressure_sensor_icing,
    sensor_fault,
    short_cycling,
    silent_unit,
    slow_pressure_build,
    stale_telemetry,
    unlike_itself,
)
from models.patterns.suppression import DRAWN_FROM, SUPPRESSED_BY
from models.records import Pattern

__all__ = ["BY_RULE", "DRAWN_FROM", "LEARNT", "NOVEL", "SUPPRESSED_BY"]

LEARNT: dict[Pattern, ModuleType] = {
    module.PATTERN: module for module in (short_cycling, never_reaching_temperature, pressure_sensor_icing)
}
NOVEL: dict[Pattern, ModuleType] = {unlike_itself.PATTERN: unlike_itself}
BY_RULE: dict[Pattern, ModuleType] = {
    module.PATTERN: module
    for module in (stale_telemetry, sensor_fault, overheating, slow_pressure_build, silent_unit)
}
