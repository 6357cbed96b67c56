"""Operators' habits and troubles as chapters of a unit's life, turned into the inputs of a simulator."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import dataclass, field

import numpy as np

from . import hidden
from .weather import Climate

DAY_S = 86_400


@dataclass(frozen=True)
class Kind:
    """What a chapter is about."""

    category: str
    """faulty, clean or confounder - the intent; truth comes from the hidden state alone."""
    habit: str
    climates: tuple[str, ...] = ("humid_coast", "temperate", "cold", "hot_dry", "altitude")
    valve: str = ""
    """sudden, wearing, intermittent, recovered or low_setting."""
    ice: str = ""
    """vented, pressurised or partial."""
    weight: float = 1.0
    """How often it is chosen beside others that suit."""
    telemetry: str = ""
    """failed_transducer, stale or bus_codes."""


WARM = ("humid_coast", "temperate")
KINDS = {
    "burst_days": Kind("faulty", "bursts", ("humid_coast", "temperate", "altitude"), weight=3.0),
    "hourly_jobs": Kind("faulty", "hourly", WARM, weight=3.0),
    "bursts_then_better": Kind("faulty", "bursts_then_better", WARM, weight=3.0),
    "valve_sudden": Kind("faulty", "light_work", valve="sudden", weight=2.0),
    "valve_wearing": Kind("faulty", "light_work", valve="wearing", weight=2.0),
    "valve_intermittent": Kind("faulty", "work", valve="intermittent", weight=2.0),
    "valve_recovered": Kind("faulty", "light_work", valve="recovered", weight=2.0),
    "valve_low_setting": Kind("faulty", "work", WARM, valve="low_setting"),
    "ice_vented": Kind("faulty", "work", ("cold",), ice="vented", weight=5.0),
    "ice_pressurised": Kind("faulty", "long_work", ("cold",), ice="pressurised", weight=5.0),
    "ice_partial": Kind("faulty", "tool_work", ("cold",), ice="partial", weight=4.0),
    "all_day": Kind("clean", "all_day"),
    "good_exercise": Kind("clean", "good_exercise"),
    "long_jobs": Kind("clean", "work"),
    "idle": Kind("clean", "idle"),
    "lone_short_run": Kind("confounder", "lone_short"),
    "hot_topups": Kind("confounder", "topups"),
    "dry_bursts": Kind("confounder", "bursts", ("hot_dry", "cold"), weight=2.0),
    "cold_quarter_hour": Kind("confounder", "quarter_hour", ("cold", "temperate", "altitude")),
    "frost_parked": Kind("confounder", "sparse_work", ("cold",), weight=2.0),
    "failed_transducer": Kind(
        "confounder",
        "work",
        ("humid_coast", "temperate", "hot_dry"),
        telemetry="failed_transducer",
        weight=2.0,
    ),
    "stale_messages": Kind("confounder", "work", telemetry="stale"),
    "bus_codes": Kind("confounder", "tool_work", telemetry="bus_codes"),
    "steady_pressure": Kind("confounder", "steady", ("humid_coast", "temperate", "hot_dry")),
    "short_exercise": Kind("confounder", "short_exercise"),
    "no_air_exercise": Kind("confounder", "no_air_exercise"),
}


@dataclass(frozen=True)
class Chapter:
    """A stretch of one unit's life."""

    kind: str
    start_s: int
    end_s: int


@dataclass
class Plan:
    """Everything a simulator is driven by, and what telemetry needs to know."""

    inputs: hidden.Inputs
    awake: np.ndarray
    """Truck ignition on; per second."""
    chapters: list[Chapter]
    valve_faults: list[tuple[str, int, int]] = field(default_factory=list)
    """(kind, first minute, minute after the last) of each fault of the thermal valve."""


def _wheel(category: str, climate: str) -> list[str]:
    """Kinds of a category that suit a climate, each as often as its weight, evenly mixed."""
    slots = [
        ((turn + (7 * place % 10) / 10) / kind.weight, name)
        for place, (name, kind) in enumerate(KINDS.items())
        if kind.category == category and climate in kind.climates
        for turn in range(int(kind.weight))
    ]
    return [name for _, name in sorted(slots, key=lambda slot: slot[0])]


def choose_chapters(
    rng: np.random.Generator, climate: str, first: str, days: int, turn: int
) -> list[Chapter]:
    """Two or three chapters, the first of the wanted category; `turn` walks through the kinds."""
    cuts = [0, days]
    if days >= 20:
        inner = np.sort(rng.choice(np.arange(9, days - 8), size=1 + int(rng.random() < 0.75), replace=False))
        cuts = [0, *(int(c) for i, c in enumerate(inner) if i == 0 or c - inner[i - 1] >= 9), days]
    order = ["faulty", "clean", "confounder"]
    at = order.index(first)
    chapters = []
    for i, (a, b) in enumerate(itertools.pairwise(cuts)):
        wheel = _wheel(order[(at + i) % 3], climate)
        chapters.append(Chapter(wheel[turn % len(wheel)], a * DAY_S, b * DAY_S))
    return chapters


def _style(rng: np.random.Generator, demand: np.ndarray, style: str) -> None:
    """Fill one run's demand in place."""
    n = len(demand)
    if style == "steady":
        demand[:] = rng.uniform(0.45, 0.95)
    elif style == "full":
        demand[:] = rng.uniform(0.85, 1.0)
    elif style == "closed":
        demand[:] = rng.uniform(0.0, 0.015)
    elif style == "closed_then_open":
        demand[:] = rng.uniform(0.3, 0.7)
        demand[: min(n, int(rng.uniform(300, 900)))] = 0.01
    else:
        low, high, on_s, off_s = {
            "tool": (0.4, 1.0, 45, 40),
            "light": (0.25, 0.6, 20, 90),
            "hand": (0.3, 0.9, 25, 30),
        }[style]
        at = 0
        while at < n:
            on = int(rng.exponential(on_s)) + 3
            demand[at : at + on] = rng.uniform(low, high)
            at += on
            off = int(rng.exponential(off_s)) + 2
            demand[at : at + off] = 0.01
            at += off


Block = tuple[int, int, str]


@dataclass(frozen=True)
class Routine:
    """Runs of one working day at independent times."""

    runs: tuple[int, int]
    seconds: tuple[int, int]
    styles: tuple[str, ...]
    hours: tuple[float, float] = (7.0, 15.0)
    chance: float = 1.0
    weekday: int | None = None
    """The only day of the week on which it happens, holidays or not."""


ROUTINES = {
    "work": Routine((1, 4), (1500, 5400), ("tool", "hand", "steady")),
    "long_work": Routine((1, 3), (5400, 12000), ("tool", "steady"), (6.5, 12.0)),
    "tool_work": Routine((1, 4), (1500, 5400), ("tool",)),
    "light_work": Routine((1, 4), (1000, 4500), ("light", "light", "hand", "tool")),
    "sparse_work": Routine((1, 2), (2400, 6000), ("tool", "steady"), (8.0, 14.0), 0.35),
    "steady": Routine((1, 2), (7200, 21600), ("steady",), (7.0, 9.0)),
    "quarter_hour": Routine((1, 3), (1000, 1900), ("steady", "tool", "full"), (6.5, 14.0)),
    "lone_short": Routine((1, 2), (80, 400), ("tool", "hand"), weekday=2),
    "good_exercise": Routine((1, 2), (2400, 3900), ("closed_then_open", "steady"), (8.0, 14.0), weekday=1),
    "short_exercise": Routine((1, 2), (480, 840), ("steady", "full"), (8.0, 14.0), weekday=3),
    "no_air_exercise": Routine((1, 2), (1500, 2700), ("closed",), (8.0, 14.0), weekday=1),
}


def _routine_day(rng: np.random.Generator, routine: Routine) -> list[Block]:
    """Runs of a routine on one day, in order."""
    if rng.random() >= routine.chance:
        return []
    when = np.sort(rng.uniform(*routine.hours, int(rng.integers(*routine.runs)))) * 3600
    return [(int(w), int(rng.uniform(*routine.seconds)), str(rng.choice(routine.styles))) for w in when]


def _topups(rng: np.random.Generator) -> list[Block]:
    """One long run, then short ones while it is still hot."""
    at = rng.uniform(7.0, 9.0) * 3600
    blocks: list[Block] = [(int(at), int(rng.uniform(3000, 6000)), "steady")]
    at += blocks[0][1]
    for _ in range(int(rng.integers(2, 6))):
        at += rng.uniform(240, 900)
        blocks.append((int(at), int(rng.uniform(80, 260)), "tool"))
        at += blocks[-1][1]
    return blocks


def _day(rng: np.random.Generator, habit: str, weekday: int, vigour: float) -> list[Block]:
    """(start, seconds, style) of a day's runs, seconds after local midnight."""
    routine = ROUTINES.get(habit)
    if routine is not None and routine.weekday is not None:
        return _routine_day(rng, routine) if weekday == routine.weekday else []
    if weekday >= 5 or rng.random() > 0.93 or habit == "idle":
        return []
    if routine is not None:
        return _routine_day(rng, routine)
    if habit == "topups":
        return _topups(rng) if rng.random() < 0.7 else []
    if habit == "bursts":
        return _routine_day(
            rng, Routine((2, 4 + round(5 * vigour)), (70, 280), ("tool", "hand", "full"), (7.0, 16.5))
        )
    first = rng.uniform(7.0, 7.7)
    if habit == "hourly":
        return [
            (int((first + i * rng.uniform(0.95, 1.1)) * 3600), int(rng.uniform(200, 560)), "tool")
            for i in range(int(rng.integers(4, 9)))
        ]
    morning = (int(first * 3600), int(rng.uniform(3.2, 4.2) * 3600), str(rng.choice(["tool", "steady"])))
    return [morning, (int(rng.uniform(12.4, 13.0) * 3600), int(rng.uniform(2.0, 3.6) * 3600), "tool")]


def _blocks(
    rng: np.random.Generator, chapters: list[Chapter], start: dt.datetime, offset_s: int, days: int
) -> list[Block]:
    """Every run wanted, seconds after the simulation's start (UTC), apart by at least a minute."""
    found: list[Block] = []
    for chapter in chapters:
        kind = KINDS[chapter.kind]
        vigour = float(rng.uniform(0.2, 1.0))
        for day in range(chapter.start_s // DAY_S, chapter.end_s // DAY_S):
            habit = kind.habit
            if habit == "bursts_then_better":
                habit = "bursts" if day * DAY_S < (chapter.start_s + chapter.end_s) / 2 else "work"
            weekday = (start + dt.timedelta(days=day)).weekday()
            found += [(day * DAY_S + a - offset_s, n, s) for a, n, s in _day(rng, habit, weekday, vigour)]
    found.sort()
    kept: list[Block] = []
    free_at = 60
    for a, n, s in found:
        if a >= free_at and a + n < days * DAY_S - 600:
            kept.append((a, n, s))
            free_at = a + n + 60
    return kept


def _valve(
    rng: np.random.Generator, chapter: Chapter, fault: str, leak: np.ndarray, shift: np.ndarray
) -> tuple[int, int]:
    """Write a thermal valve's fault into the minutes of a chapter; returns the fault's own minutes."""
    a, b = chapter.start_s // 60, chapter.end_s // 60
    onset = a + int(rng.uniform(0.0, 0.25) * (b - a))
    stuck = float(rng.uniform(0.75, 1.0))
    if fault == "sudden":
        leak[onset:] = stuck
        return onset, len(leak)
    if fault == "recovered":
        mended = int(onset + 0.6 * (b - onset))
        leak[onset:mended] = stuck
        return onset, mended
    if fault == "wearing":
        leak[a:b] = np.maximum(leak[a:b], np.linspace(0.05, 0.9, b - a))
        leak[b:] = 0.9
        return a, len(leak)
    if fault == "low_setting":
        shift[a:b] = -float(rng.uniform(14.0, 26.0))
        return a, b
    day = a
    while day < b:
        if rng.random() < 0.5:
            leak[day : day + 1440] = stuck
        day += 1440
    return a, b


def _ice(rng: np.random.Generator, chapter: Chapter, form: str, around: np.ndarray) -> None:
    """Expose the port of the pressure sensor during a chapter."""
    rows = around[chapter.start_s // 60 : chapter.end_s // 60]
    growth, cap, share = {
        "vented": (rng.uniform(0.4, 1.2), 1.2, rng.uniform(0.15, 0.4)),
        "pressurised": (-rng.uniform(0.8, 2.0), 1.2, rng.uniform(0.02, 0.07)),
        "partial": (rng.uniform(0.6, 1.4), rng.uniform(0.6, 0.78), rng.uniform(0.02, 0.1)),
    }[form]
    rows[:, hidden.ICE_GROWTH] = growth
    rows[:, hidden.ICE_CAP] = cap
    rows[:, hidden.PORT_SHARE] = share


def _awake(blocks: list[Block], n_s: int, rng: np.random.Generator) -> np.ndarray:
    """Ignition: on from some minutes before the day's first run to some minutes after each run."""
    awake = np.zeros(n_s, dtype=bool)
    last_end = -DAY_S
    for a, n, _ in blocks:
        begin = a - int(rng.uniform(120, 1500))
        if begin - last_end < 5400:
            begin = min(begin, last_end)
        last_end = a + n + int(rng.uniform(60, 1500))
        awake[max(0, begin) : last_end] = True
    return awake


def make_plan(
    rng: np.random.Generator,
    climate: Climate,
    air_c: np.ndarray,
    vapour_pa: np.ndarray,
    chapters: list[Chapter],
    start: dt.datetime,
    days: int,
    offset_s: int,
    with_bay: bool,
    heat_traced: bool,
) -> Plan:
    """The inputs of one unit's whole life in an exam."""
    n_s = days * DAY_S
    blocks = _blocks(rng, chapters, start, offset_s, days)
    command, demand = np.zeros(n_s, dtype=np.int8), np.zeros(n_s, dtype=np.float32)
    for a, n, style in blocks:
        command[a : a + n] = 1
        _style(rng, demand[a : a + n], style)
    awake = _awake(blocks, n_s, rng)
    around = np.zeros((days * 1440, hidden.N_SURROUNDINGS))
    around[:, hidden.AMBIENT_C], around[:, hidden.VAPOUR_PA] = air_c, vapour_pa
    leak = np.full(len(around), float(rng.uniform(0.02, 0.06)))
    shift = np.zeros(len(around))
    around[:, hidden.ICE_CAP], around[:, hidden.PORT_SHARE] = 1.2, 0.3
    faults = []
    for chapter in chapters:
        kind = KINDS[chapter.kind]
        if kind.valve:
            faults.append((chapter.kind, *_valve(rng, chapter, kind.valve, leak, shift)))
        if kind.ice and not heat_traced:
            _ice(rng, chapter, kind.ice, around)
    around[:, hidden.VALVE_LEAK], around[:, hidden.VALVE_SHIFT_K] = leak, shift
    around[:, hidden.BAY_C] = air_c + (_bay(rng, awake, air_c) if with_bay else 0.0)
    return Plan(hidden.Inputs(command, demand, around), awake, chapters, faults)


def _bay(rng: np.random.Generator, awake: np.ndarray, air_c: np.ndarray) -> np.ndarray:
    """How much warmer the engine bay's walls are than the air: engine heat, and a garage for some. [K]"""
    by_minute = awake[: len(air_c) * 60].reshape(-1, 60).mean(axis=1)
    engine_k, level, warmth = float(rng.uniform(3.0, 16.0)), 0.0, np.empty(len(air_c))
    for i, on in enumerate(by_minute):
        level += (on - level) / (20.0 if on > 0.5 else 70.0)
        warmth[i] = engine_k * level
    if rng.random() < 0.3:
        garage_c = float(rng.uniform(4.0, 12.0))
        parked = (by_minute < 0.5) & (np.convolve(by_minute, np.full(180, 1 / 180.0), mode="same") < 0.05)
        warmth = np.where(parked, np.maximum(warmth, garage_c - air_c), warmth)
    return warmth
