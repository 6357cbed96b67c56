"""What a simulator is given and what it hands back: the same two shapes for both machines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

GRID_S = 5
"""Spacing of the recorded hidden state. [s]"""

RUNNING, DISCHARGE_C, SENSOR_C, SUMP_KPA, READING_KPA, WATER_G, FREE_G, FLOW, PORT_C, ICE = range(10)
N_CHANNELS = 10

AMBIENT_C, VAPOUR_PA, VALVE_LEAK, VALVE_SHIFT_K, ICE_GROWTH, ICE_CAP, PORT_SHARE, BAY_C = range(8)
N_SURROUNDINGS = 8

START_INHIBIT_KPA = 150.0
"""A controller that reads more than this refuses a start. [kPa gauge]"""
PATIENCE = 4
"""Refused starts after which somebody thaws the line by hand."""


class Inputs(NamedTuple):
    """Drive of a simulation."""

    command: np.ndarray
    """1 where the operator wants it to run; per second, shape (n_s,)."""
    demand: np.ndarray
    """Free air wanted at rated pressure, share of rated flow; per second."""
    surroundings: np.ndarray
    """Per minute, shape (n_min, N_SURROUNDINGS)."""


@dataclass(frozen=True)
class Hidden:
    """True course of one unit."""

    grid: np.ndarray
    """Hidden state each GRID_S seconds, shape (n, N_CHANNELS), float32."""
    start_s: np.ndarray
    end_s: np.ndarray
    """End of each run; the length of the simulation for one that still goes."""
    states: np.ndarray
    """State of the machine at the start of each run, for its healthy twin."""
    minimum_pressure_kpa: float
    atmosphere_kpa: float
