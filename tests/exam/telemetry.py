"""From hidden state to what a truck would send: noise, resolution, silence, trouble on the way."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from . import hidden
from .habits import KINDS, Plan
from .weather import drifting, relative_humidity_pct

PSI_KPA = 6.894757
DAY_S = 86_400


@dataclass(frozen=True)
class Controller:
    """One truck's electronics."""

    sampling_s: int
    silent_when_parked: bool
    heartbeat_s: int
    """Spacing of readings while parked; 0: none."""
    jitter_s: int
    temp_step_c: float
    pressure_step_kpa: float
    hours_step: float
    hours_offset: float
    noise_c: float
    noise_kpa: float
    spike_rate: float
    zero_kpa: float
    sends_ambient: bool
    log_form: bool


def draw_controller(rng: np.random.Generator, simulator: int) -> Controller:
    """Electronics differ from truck to truck, and by machine family."""
    sampling = int(rng.choice([10, 30, 60], p=[0.3, 0.4, 0.3] if simulator == 1 else [0.35, 0.3, 0.35]))
    silent = bool(rng.random() < (0.4 if simulator == 1 else 0.6))
    fine = simulator == 1
    return Controller(
        sampling_s=sampling,
        silent_when_parked=silent,
        heartbeat_s=int(rng.choice([0, 600, 1800])) if silent else 0,
        jitter_s=int(rng.choice([0, 2])),
        temp_step_c=float(rng.choice([0.1, 0.5, 1.0], p=[0.6, 0.2, 0.2] if fine else [0.1, 0.2, 0.7])),
        pressure_step_kpa=float(
            rng.choice([1.0, 4.0, PSI_KPA], p=[0.7, 0.1, 0.2] if fine else [0.2, 0.1, 0.7])
        ),
        hours_step=float(rng.choice([0.01, 0.05, 0.1])),
        hours_offset=float(np.round(rng.uniform(20.0, 6000.0), 2)),
        noise_c=float(rng.uniform(0.05, 0.4)),
        noise_kpa=float(rng.uniform(1.0, 6.0)),
        spike_rate=float(rng.choice([0.0, 2e-5, 1e-4])),
        zero_kpa=float(rng.normal(0.0, 7.0)),
        sends_ambient=bool(rng.random() < 0.15),
        log_form=bool(sampling == 60 and rng.random() < 0.5),
    )


@dataclass
class Sent:
    """Rows in the order in which they were received."""

    at_s: np.ndarray
    received_s: np.ndarray
    discharge_temp_c: np.ndarray
    pressure_kpa: np.ndarray
    hours: np.ndarray
    ambient_rh_pct: np.ndarray
    ambient_temp_c: np.ndarray | None
    stale: np.ndarray
    """True where the row repeats an older one."""
    trouble: list[dict[str, object]] = field(default_factory=list)

    def select(self, rows: np.ndarray) -> None:
        """Keep or reorder rows in place."""
        for name in (
            "at_s",
            "received_s",
            "discharge_temp_c",
            "pressure_kpa",
            "hours",
            "ambient_rh_pct",
            "stale",
        ):
            setattr(self, name, getattr(self, name)[rows])
        if self.ambient_temp_c is not None:
            self.ambient_temp_c = self.ambient_temp_c[rows]


def _when(rng: np.random.Generator, box: Controller, plan: Plan, n_s: int) -> np.ndarray:
    """Seconds at which the controller takes a reading."""
    at = np.arange(int(rng.integers(0, box.sampling_s)), n_s - 10, box.sampling_s)
    if box.jitter_s:
        at = at + rng.integers(0, box.jitter_s + 1, len(at))
    if not box.silent_when_parked:
        return at
    keep = plan.awake[at]
    if box.heartbeat_s:
        keep |= at % box.heartbeat_s < box.sampling_s
    return at[keep]


def _meter(box: Controller, course: hidden.Hidden, at: np.ndarray) -> np.ndarray:
    """Hours run as the meter counts them: whole steps only."""
    starts, ends = course.start_s, course.end_s
    before = np.concatenate([[0], np.cumsum(ends - starts)])
    k = np.searchsorted(starts, at, side="right")
    last = np.maximum(k - 1, 0)
    inside = (
        np.where(k > 0, np.minimum(at, ends[last]) - starts[last], 0) if len(starts) else np.zeros(len(at))
    )
    run_h = (before[last] * (k > 0) + inside) / 3600.0
    return np.round(np.floor((box.hours_offset + run_h) / box.hours_step + 1e-6) * box.hours_step, 2)


def observe(rng: np.random.Generator, box: Controller, plan: Plan, course: hidden.Hidden, n_s: int) -> Sent:
    """Everything the truck says, troubles included."""
    at = _when(rng, box, plan, n_s)
    row = course.grid[at // hidden.GRID_S]
    around = plan.inputs.surroundings[at // 60]
    n = len(at)
    temp = row[:, hidden.SENSOR_C] + box.noise_c * drifting(rng, n, box.sampling_s / 3600.0, 0.01)
    flutter = np.where(row[:, hidden.RUNNING] > 0, 1.0, 0.25)
    moving = np.where(row[:, hidden.ICE] > 0, 0.15, 1.0)
    pressure = (
        row[:, hidden.READING_KPA] + box.zero_kpa + box.noise_kpa * flutter * moving * rng.standard_normal(n)
    )
    spikes = rng.random(n) < box.spike_rate
    temp[spikes] += rng.normal(0.0, 12.0, int(spikes.sum()))
    rh = relative_humidity_pct(around[:, hidden.AMBIENT_C], around[:, hidden.VAPOUR_PA])
    rh = np.clip(rh + rng.normal(0.0, 2.0) + 0.8 * rng.standard_normal(n), 0.0, 100.0)
    measured = None
    if box.sends_ambient:
        measured = np.round(
            around[:, hidden.AMBIENT_C] + rng.normal(0, 0.5) + 0.2 * rng.standard_normal(n), 1
        )
    sent = Sent(
        at, at + 1.0, temp, pressure, _meter(box, course, at), np.round(rh), measured, np.zeros(n, dtype=bool)
    )
    _chapter_trouble(rng, sent, plan)
    sent.discharge_temp_c = np.round(np.round(sent.discharge_temp_c / box.temp_step_c) * box.temp_step_c, 2)
    sent.pressure_kpa = np.round(
        np.round(sent.pressure_kpa / box.pressure_step_kpa) * box.pressure_step_kpa, 2
    )
    sent.discharge_temp_c += 0.0
    sent.pressure_kpa += 0.0
    _bus_codes(rng, sent, plan)
    _meter_replaced(rng, sent, n_s)
    _stale(rng, sent, plan)
    _gaps_bursts_repeats(rng, sent, n_s)
    return sent


def _chapter_trouble(rng: np.random.Generator, sent: Sent, plan: Plan) -> None:
    """A transducer that fails in the warm: rail, flat or shifted, for good or until replaced."""
    for chapter in plan.chapters:
        if KINDS[chapter.kind].telemetry != "failed_transducer":
            continue
        onset = chapter.start_s + rng.uniform(0.1, 0.4) * (chapter.end_s - chapter.start_s)
        mended = onset + rng.uniform(0.3, 1.0) * (chapter.end_s - onset)
        rows = (sent.at_s >= onset) & (sent.at_s < mended)
        form = str(rng.choice(["low_rail", "high_rail", "flat", "shifted"]))
        if form == "shifted":
            sent.pressure_kpa[rows] += rng.choice([-1, 1]) * rng.uniform(100.0, 300.0)
        else:
            level = {"low_rail": -103.0, "high_rail": 1482.0, "flat": rng.uniform(0.0, 900.0)}[form]
            sent.pressure_kpa[rows] = level + 0.5 * rng.standard_normal(int(rows.sum()))
        sent.trouble.append(
            {"kind": f"failed_transducer_{form}", "start_s": int(onset), "end_s": int(mended)}
        )


def _bus_codes(rng: np.random.Generator, sent: Sent, plan: Plan) -> None:
    """Error and not-available codes scaled as if they were measurements."""
    n = len(sent.at_s)
    heavy = np.zeros(n, dtype=bool)
    for chapter in plan.chapters:
        if KINDS[chapter.kind].telemetry == "bus_codes":
            heavy |= (sent.at_s >= chapter.start_s) & (sent.at_s < chapter.end_s)
    rate = np.where(heavy, 4e-3, 3e-5)
    pressure_code = float(rng.choice([2032.0, 2040.0, 1020.0, 4080.0]))
    for values, code in (
        (sent.discharge_temp_c, float(rng.choice([1775.0, 1766.97, 215.0]))),
        (sent.pressure_kpa, pressure_code),
        (sent.ambient_rh_pct, float(rng.choice([101.6, 102.0]))),
    ):
        hit = np.flatnonzero(rng.random(n) < rate)
        for i in hit:
            values[i : i + int(rng.integers(1, 4))] = code


def _meter_replaced(rng: np.random.Generator, sent: Sent, n_s: int) -> None:
    if rng.random() < 0.12:
        at = rng.uniform(0.2, 0.8) * n_s
        rows = sent.at_s >= at
        if rows.any():
            sent.hours[rows] = np.round(
                sent.hours[rows] - sent.hours[rows][0] + float(rng.choice([0.0, 1234.5])), 2
            )
            sent.trouble.append({"kind": "meter_replaced", "start_s": int(at), "end_s": int(at)})


def _stale(rng: np.random.Generator, sent: Sent, plan: Plan) -> None:
    """A gateway that repeats its last message with fresh times."""
    for chapter in plan.chapters:
        if KINDS[chapter.kind].telemetry != "stale":
            continue
        for _ in range(int(rng.integers(3, 8))):
            begin = rng.uniform(chapter.start_s, chapter.end_s)
            if rng.random() < 0.7 and plan.inputs.command[chapter.start_s : chapter.end_s].any():
                busy = np.flatnonzero(plan.inputs.command[chapter.start_s : chapter.end_s])
                begin = chapter.start_s + int(rng.choice(busy))
            end = begin + rng.uniform(1200.0, 14400.0)
            rows = np.flatnonzero((sent.at_s >= begin) & (sent.at_s < end))
            if len(rows) < 3:
                continue
            for name in ("discharge_temp_c", "pressure_kpa", "hours", "ambient_rh_pct"):
                getattr(sent, name)[rows] = getattr(sent, name)[rows[0]]
            sent.stale[rows[1:]] = True
            sent.trouble.append({"kind": "stale", "start_s": int(begin), "end_s": int(end)})


def _gaps_bursts_repeats(rng: np.random.Generator, sent: Sent, n_s: int) -> None:
    """Lost hours, hours that come late in one burst, rows that come twice."""
    lost = np.zeros(len(sent.at_s), dtype=bool)
    order_s = sent.received_s.copy()
    for _ in range(rng.poisson(n_s / DAY_S / 12.0)):
        begin, length = rng.uniform(0, n_s), rng.exponential(2.5) * 3600
        lost |= (sent.at_s >= begin) & (sent.at_s < begin + length)
        sent.trouble.append({"kind": "gap", "start_s": int(begin), "end_s": int(begin + length)})
    for _ in range(rng.poisson(n_s / DAY_S / 10.0)):
        begin, length = rng.uniform(0, n_s), rng.exponential(3.0) * 3600
        rows = np.flatnonzero((sent.at_s >= begin) & (sent.at_s < begin + length))
        delay = rng.uniform(600.0, 2 * DAY_S) if rng.random() < 0.3 else 5.0
        order_s[rows] = begin + length + delay + np.arange(len(rows)) * 0.01
    sent.received_s = order_s
    picks = np.flatnonzero(~lost)
    twice = picks[rng.random(len(picks)) < 1e-3]
    rows = np.concatenate([picks, twice])
    later = np.concatenate([np.zeros(len(picks)), rng.exponential(300.0, len(twice))])
    sent.select(rows)
    sent.received_s = sent.received_s + later
    sent.select(np.argsort(sent.received_s, kind="stable"))
