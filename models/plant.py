"""The simulated machine: weather, duty and faults in, hidden truth out. Source of demo and training data.

The engine never imports this: what a machine is must not leak into what judges it. Start at `simulate`.
The constants are assumed values of one consistent parameter set, see `Machine`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.reading import FloatArray, IntArray
from ingest.units_of_measure import STANDARD_ATMOSPHERE_KPA
from models.plant_kernel import NEVER_S, RUN_COLUMNS, TRUTH_COLUMNS, run_machine
from models.plant_machine import FAST, SLOW, Machine
from models.plant_steps import FLOOR_C, MARGIN_K, saturation_pa

__all__ = ["FAST", "SLOW", "Duty", "Faults", "Machine", "RunTruth", "Truth", "Weather", "simulate"]


@dataclass(frozen=True, kw_only=True)
class Weather:
    """Air round the machine, one value every `step_s` from the start of the history; shape (n,) each."""

    step_s: float
    temp_c: FloatArray
    """Where the truck stands: outside, or in its garage. [degC]"""
    vapour_pa: FloatArray
    """Partial pressure of water vapour. [Pa]"""
    atm_kpa: float = STANDARD_ATMOSPHERE_KPA


@dataclass(frozen=True, kw_only=True)
class Duty:
    """What the operator asks for, as a step function: from `change_s[i]` on, `demand_frac[i]`.

    Demand is the tools' free air at rated pressure over rated free air, 0 with the air valve shut, and -1
    with the machine stopped. `drain_s`: instants at which someone drains the sump.
    """

    change_s: IntArray
    demand_frac: FloatArray
    drain_s: IntArray


@dataclass(frozen=True, kw_only=True)
class Faults:
    """What is wrong with the machine, as step functions: from `change_s[i]` on, the i-th values."""

    change_s: IntArray
    stuck_open_frac: FloatArray
    """Thermal valve jammed open: 0 healthy, 1 all the oil through the cooler."""
    cooler_frac: FloatArray | None = None
    """Heat the cooler still carries off: 1 healthy, less when blocked or its fan stands; None: healthy."""
    air_frac: FloatArray | None = None
    """Free air it still makes: 1 healthy, less with a worn air end or a slipping drive; None: healthy."""
    leak_frac: FloatArray | None = None
    """Air lost from the line, as a share of rated free air at rated pressure; None: tight."""

    @classmethod
    def none(cls) -> Faults:
        """A healthy machine."""
        return cls(change_s=np.empty(0, np.int64), stuck_open_frac=np.empty(0))

    @property
    def table(self) -> FloatArray:
        """One row a change, shape (n, 4): stuck open, cooler, air, leak. [-]"""
        n = len(self.change_s)
        cooler, air, leak = (
            np.full(n, usual) if values is None else values
            for values, usual in ((self.cooler_frac, 1.0), (self.air_frac, 1.0), (self.leak_frac, 0.0))
        )
        return np.column_stack([self.stuck_open_frac, cooler, air, leak]).reshape(n, 4)


@dataclass(frozen=True, kw_only=True)
class RunTruth:
    """One run as it really was; times in seconds from the start of the history."""

    start_s: int
    end_s: int
    start_temp_c: float
    peak_temp_c: float
    hot_s: float
    """At or above the required temperature with the sump under working pressure."""
    first_hot_s: float | None
    """Seconds from the start of the run; None: never hot."""
    twin_first_hot_s: float | None
    """The same for a machine with a sound thermal valve, same start, air and load."""
    water_start_g: float
    water_end_g: float
    delivered_m3: float
    stuck_frac_peak: float

    @property
    def duration_s(self) -> int:
        """Length of the run."""
        return self.end_s - self.start_s

    @property
    def wet(self) -> bool:
        """Ended sooner than 15 min, hot for less than 5, and left the sump wetter."""
        return self.duration_s < 900 and self.hot_s < 300 and self.water_end_g > self.water_start_g


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What really happened, one row every `step_s`; columns of shape (n,). No sensor has touched it."""

    start_at_ms: int
    step_s: int
    running: NDArray[np.bool_]
    discharge_temp_c: FloatArray
    air_temp_c: FloatArray
    """At the machine."""
    vapour_pa: FloatArray
    pressure_kpa: FloatArray
    """Sump. [kPa gauge]"""
    port_pressure_kpa: FloatArray
    """What reaches the transducer, ice or no ice. [kPa gauge]"""
    line_pressure_kpa: FloatArray
    """Beyond the minimum-pressure valve. [kPa gauge]"""
    port_temp_c: FloatArray
    port_ice_g: FloatArray
    port_wet_g: FloatArray
    water_g: FloatArray
    flow_frac: FloatArray
    hours: FloatArray
    start_inhibited: NDArray[np.bool_]
    """The operator wants to run, the control sees pressure and refuses."""
    required_temp_c: FloatArray
    """By the written definition, from true air and true sump pressure."""
    pressure_dew_point_c: FloatArray
    runs: tuple[RunTruth, ...]

    @property
    def observed_at_ms(self) -> IntArray:
        """Instants of the rows. [Unix ms]"""
        return self.start_at_ms + 1000 * self.step_s * np.arange(len(self.running), dtype=np.int64)


def _dew_point_table() -> tuple[FloatArray, FloatArray]:
    temp_c = np.arange(-60.0, 160.0, 0.1)
    return np.log([saturation_pa(t) for t in temp_c]), temp_c


_LOG_PA, _TEMP_C = _dew_point_table()


def dew_point_c(vapour_pa: FloatArray) -> FloatArray:
    """Dew point, frost point below 0 degC, to 0.001 K. [degC]"""
    return np.interp(np.log(vapour_pa), _LOG_PA, _TEMP_C)


def simulate(
    machine: Machine,
    *,
    weather: Weather,
    duty: Duty,
    faults: Faults,
    start_at_ms: int,
    duration_s: int,
    step_s: int = 10,
    start_hours: float = 0.0,
    start_water_g: float = 0.0,
    start_temp_c: float | None = None,
    start_frame_c: float | None = None,
    start_pressure_kpa: float = 0.0,
    start_port_water_g: float = 0.0,
) -> Truth:
    """The machine's history, integrated at one second.

    Parameters
    ----------
    weather : Weather
        Must cover `duration_s`.
    duration_s, step_s : int
        Length of the history, and how often a row of it is kept. [s]
    start_hours : float
        Hour meter at the start. [h]
    start_water_g : float
        Water in the sump at the start. [g]
    start_temp_c, start_frame_c : float, optional
        Oil and frame at the start; the air's temperature when left out. [degC]

    start_pressure_kpa : float
        Of sump and line at the start. [kPa gauge]
    start_port_water_g : float
        Water in the pressure sensor's port at the start. [g]

    Raises
    ------
    ValueError
        If the weather is shorter than the history.
    """
    covered_s = weather.step_s * (len(weather.temp_c) - 1)
    if covered_s < duration_s:
        raise ValueError(f"weather covers {covered_s!r} s, expected at least {duration_s!r} s")
    air_c = float(weather.temp_c[0])
    oil_c = air_c if start_temp_c is None else start_temp_c
    frame_c = oil_c if start_frame_c is None else start_frame_c
    columns, runs = run_machine(
        machine,
        duration_s,
        step_s,
        weather.atm_kpa,
        float(weather.step_s),
        weather.temp_c,
        weather.vapour_pa,
        duty.change_s,
        duty.demand_frac,
        faults.change_s,
        faults.table,
        duty.drain_s,
        np.array([oil_c, frame_c, start_water_g, start_hours, start_port_water_g, start_pressure_kpa]),
    )
    by_name = dict(zip(TRUTH_COLUMNS, columns, strict=True))
    pressure_ratio = by_name["pressure_kpa"] / weather.atm_kpa + 1.0
    pressure_dew_point_c = dew_point_c(by_name["vapour_pa"] * pressure_ratio)
    return Truth(
        start_at_ms=start_at_ms,
        step_s=step_s,
        pressure_dew_point_c=pressure_dew_point_c,
        required_temp_c=np.maximum(pressure_dew_point_c + MARGIN_K, FLOOR_C),
        runs=tuple(_run_truth(row) for row in runs),
        **{
            name: column > 0.5 if name in ("running", "start_inhibited") else column
            for name, column in by_name.items()
        },
    )


def _run_truth(row: FloatArray) -> RunTruth:
    values = dict(zip(RUN_COLUMNS, row.tolist(), strict=True))
    for name in ("first_hot_s", "twin_first_hot_s"):
        values[name] = None if values[name] == NEVER_S else values[name]
    return RunTruth(**{**values, "start_s": int(values["start_s"]), "end_s": int(values["end_s"])})
