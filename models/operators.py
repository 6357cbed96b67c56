"""How people use the machine: duty schedules from bursts of a minute to whole days of work.

An operator is a weekly rhythm and a habit. Every schedule is made in local time at the yard.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from models.plant import Duty

DAY_S = 86400
STOPPED = -1.0
OPEN_BLOWING_FRAC = 0.02
"""Share of a run's legs in which a hose blows freely: more air than the machine makes."""


@dataclass(frozen=True, kw_only=True)
class Operator:
    """Habits of one crew. Shares are probabilities of a kind of day among working days."""

    name: str
    kinds: dict[str, float]
    """Kind of day (see `DAYS`) to its weight."""
    work_days_per_week: float = 5.0
    weekend_frac: float = 0.05
    """Probability of work on a weekend day."""
    demand_frac: tuple[float, float] = (0.3, 0.9)
    """Range of the tools' mean demand."""
    start_h: tuple[float, float] = (6.5, 9.0)
    exercise_days: float = 0.0
    """Days between exercise runs, 0 for none."""
    exercise_right: bool = True
    """Valve opened once hot; otherwise it stays shut for the whole run."""
    drain_days: float = 0.0
    """Mean days between drains of the sump, 0 for none. A drained sump starts from nothing."""


OPERATORS = {
    operator.name: operator
    for operator in (
        Operator(name="all_day", kinds={"all_day": 0.7, "sessions": 0.3}),
        Operator(name="sessions", kinds={"sessions": 0.8, "few_long": 0.2}),
        Operator(name="bursts", kinds={"bursts": 0.8, "idle": 0.2}, work_days_per_week=4.5),
        Operator(name="bursts_then_work", kinds={"bursts": 0.45, "sessions": 0.45, "idle": 0.1}),
        Operator(name="sparse_bursts", kinds={"one_burst": 0.5, "idle": 0.5}, work_days_per_week=3.0),
        Operator(name="top_up", kinds={"top_up": 0.8, "few_long": 0.2}),
        Operator(name="light_long", kinds={"light_long": 0.8, "few_long": 0.2}, demand_frac=(0.05, 0.3)),
        Operator(name="idle_exercised", kinds={"idle": 1.0}, work_days_per_week=5.0, exercise_days=7.0),
        Operator(
            name="idle_exercised_wrong",
            kinds={"idle": 0.7, "one_burst": 0.3},
            exercise_days=7.0,
            exercise_right=False,
        ),
        Operator(name="idle", kinds={"idle": 0.93, "one_burst": 0.04, "few_long": 0.03}),
        Operator(
            name="mixed",
            kinds={"bursts": 0.15, "sessions": 0.35, "few_long": 0.2, "top_up": 0.15, "idle": 0.15},
        ),
        Operator(
            name="crew_shifts",
            kinds={"sessions": 0.35, "all_day": 0.35, "bursts": 0.1, "idle": 0.2},
            work_days_per_week=6.0,
            weekend_frac=0.4,
            start_h=(5.0, 14.0),
        ),
        Operator(name="steady_work", kinds={"steady": 0.7, "few_long": 0.3}),
        Operator(
            name="quick_jobs",
            kinds={"bursts": 0.5, "one_burst": 0.2, "top_up": 0.1, "idle": 0.2},
            weekend_frac=0.3,
        ),
        Operator(name="long_light_shift", kinds={"light_long": 0.6, "steady": 0.4}, demand_frac=(0.04, 0.35)),
        Operator(name="bursts_exercised", kinds={"bursts": 0.8, "idle": 0.2}, exercise_days=3.0),
    )
}


@dataclass
class _Plan:
    """Change points as they are made; seconds from the start of the history."""

    changes: list[tuple[int, float]] = field(default_factory=list)
    drains: list[int] = field(default_factory=list)

    def run(
        self, rng: np.random.Generator, start_s: float, length_s: float, demand_frac: float, cycle_s: float
    ) -> float:
        """One run with tools going on and off about every `cycle_s`; the second after its end."""
        at_s, end_s = start_s, start_s + length_s
        if self.changes and at_s <= self.changes[-1][0]:
            at_s = self.changes[-1][0] + 1.0
            end_s = at_s + length_s
        while at_s < end_s:
            busy = rng.random() < 0.75
            level = (
                demand_frac * rng.uniform(0.7, 1.3) / 0.75 if busy else demand_frac * rng.uniform(0.0, 0.2)
            )
            level = rng.uniform(1.3, 2.5) if rng.random() < OPEN_BLOWING_FRAC else min(max(level, 0.0), 1.15)
            self.changes.append((int(at_s), float(level)))
            at_s += max(2.0, rng.exponential(cycle_s))
        self.changes.append((int(end_s), STOPPED))
        return end_s

    def fixed(self, start_s: float, legs: list[tuple[float, float]]) -> float:
        """One run with the given (length, demand) legs; the second after its end."""
        at_s = start_s
        for length_s, demand_frac in legs:
            self.changes.append((int(at_s), demand_frac))
            at_s += length_s
        self.changes.append((int(at_s), STOPPED))
        return at_s


def _demand(operator: Operator, rng: np.random.Generator) -> float:
    return float(rng.uniform(*operator.demand_frac))


def _bursts(plan: _Plan, operator: Operator, rng: np.random.Generator, at_s: float) -> None:
    """Some short cool runs, with long pauses between them."""
    for _ in range(int(rng.integers(2, 9))):
        length_s = rng.uniform(45.0, 200.0) if rng.random() < 0.8 else rng.uniform(200.0, 500.0)
        at_s = plan.run(rng, at_s, length_s, _demand(operator, rng), 20.0)
        at_s += rng.uniform(1200.0, 7200.0)


def _one_burst(plan: _Plan, operator: Operator, rng: np.random.Generator, at_s: float) -> None:
    """A single short run."""
    plan.run(rng, at_s + rng.uniform(0.0, 14400.0), rng.uniform(45.0, 400.0), _demand(operator, rng), 20.0)


def _top_up(plan: _Plan, operator: Operator, rng: np.random.Generator, at_s: float) -> None:
    """A proper warm-up, then short runs while the oil is still hot."""
    at_s = plan.run(rng, at_s, rng.uniform(2400.0, 5400.0), _demand(operator, rng), 40.0)
    for _ in range(int(rng.integers(3, 12))):
        at_s += rng.uniform(240.0, 1200.0)
        at_s = plan.run(rng, at_s, rng.uniform(60.0, 400.0), _demand(operator, rng), 25.0)


def _sessions(plan: _Plan, operator: Operator, rng: np.random.Generator, at_s: float) -> None:
    """Two to five sessions of work."""
    for _ in range(int(rng.integers(2, 6))):
        at_s = plan.run(rng, at_s, rng.uniform(900.0, 4200.0), _demand(operator, rng), 40.0)
        at_s += rng.uniform(600.0, 5400.0)


def _few_long(plan: _Plan, operator: Operator, rng: np.random.Generator, at_s: float) -> None:
    """One or two long runs."""
    for _ in range(int(rng.integers(1, 3))):
        at_s = plan.run(rng, at_s, rng.uniform(3600.0, 9000.0), _demand(operator, rng), 60.0)
        at_s += rng.uniform(1800.0, 7200.0)


def _all_day(plan: _Plan, operator: Operator, rng: np.random.Generator, at_s: float) -> None:
    """On from morning to evening but for a break."""
    at_s = plan.run(rng, at_s, rng.uniform(9000.0, 14400.0), _demand(operator, rng), 60.0)
    plan.run(
        rng, at_s + rng.uniform(1500.0, 3600.0), rng.uniform(7200.0, 14400.0), _demand(operator, rng), 60.0
    )


def _light_long(plan: _Plan, operator: Operator, rng: np.random.Generator, at_s: float) -> None:
    """Hours at very little air, often steady: an agitator or a blower."""
    for _ in range(int(rng.integers(1, 3))):
        steady = rng.random() < 0.5
        length_s, demand_frac = rng.uniform(2400.0, 10000.0), _demand(operator, rng)
        if steady:
            at_s = plan.fixed(at_s, [(length_s, demand_frac)])
        else:
            at_s = plan.run(rng, at_s, length_s, demand_frac, 60.0)
        at_s += rng.uniform(1800.0, 5400.0)


def _steady(plan: _Plan, operator: Operator, rng: np.random.Generator, at_s: float) -> None:
    """One to three long runs at a demand that never changes."""
    for _ in range(int(rng.integers(1, 4))):
        at_s = plan.fixed(at_s, [(rng.uniform(1800.0, 7200.0), _demand(operator, rng))])
        at_s += rng.uniform(1800.0, 7200.0)


def _idle(plan: _Plan, operator: Operator, rng: np.random.Generator, at_s: float) -> None:
    """Nothing."""


DAYS: dict[str, Callable[[_Plan, Operator, np.random.Generator, float], None]] = {
    "bursts": _bursts,
    "one_burst": _one_burst,
    "top_up": _top_up,
    "sessions": _sessions,
    "few_long": _few_long,
    "all_day": _all_day,
    "light_long": _light_long,
    "steady": _steady,
    "idle": _idle,
}


def _exercise(plan: _Plan, operator: Operator, rng: np.random.Generator, at_s: float) -> None:
    warm_s, hot_s = rng.uniform(600.0, 1200.0), rng.uniform(1500.0, 2400.0)
    if operator.exercise_right:
        plan.fixed(at_s, [(warm_s, 0.0), (hot_s, rng.uniform(0.35, 0.9))])
    else:
        plan.fixed(at_s, [(rng.uniform(300.0, 1800.0), 0.0)])


def duty(
    operator: Operator, *, start_at_ms: int, days: int, utc_offset_h: float, rng: np.random.Generator
) -> Duty:
    """A schedule of `days` days.

    Raises
    ------
    KeyError
        If the operator names a kind of day that `DAYS` lacks.
    """
    plan = _Plan()
    start = dt.datetime.fromtimestamp(start_at_ms / 1000.0, dt.UTC)
    since_midnight_s = (start.hour * 3600 + start.minute * 60 + utc_offset_h * 3600) % DAY_S
    local_weekday = (start + dt.timedelta(hours=utc_offset_h)).weekday()
    names, weights = list(operator.kinds), np.array(list(operator.kinds.values()))
    next_exercise = rng.uniform(0.0, operator.exercise_days) if operator.exercise_days else np.inf
    for day in range(days + 1):
        midnight_s = day * DAY_S - since_midnight_s
        at_s = midnight_s + rng.uniform(*operator.start_h) * 3600.0
        weekend = (local_weekday + day) % 7 >= 5
        works = rng.random() < (operator.weekend_frac if weekend else operator.work_days_per_week / 5.0)
        if works and not weekend and day >= next_exercise:
            _exercise(plan, operator, rng, at_s)
            next_exercise = day + operator.exercise_days
            at_s += 7200.0
        if works:
            DAYS[str(rng.choice(names, p=weights / weights.sum()))](plan, operator, rng, at_s)
        if operator.drain_days and rng.random() < 1.0 / operator.drain_days:
            plan.drains.append(int(midnight_s + 5.0 * 3600.0))
    kept = _in_order([c for c in plan.changes if 0 <= c[0] < days * DAY_S])
    return Duty(
        change_s=np.array([c[0] for c in kept], dtype=np.int64),
        demand_frac=np.array([c[1] for c in kept], dtype=np.float64),
        drain_s=np.array([d for d in plan.drains if 0 <= d < days * DAY_S], dtype=np.int64),
    )


def _in_order(changes: list[tuple[int, float]]) -> list[tuple[int, float]]:
    """Changes without those that a longer day before has overtaken."""
    kept: list[tuple[int, float]] = []
    for at_s, demand_frac in changes:
        if not kept or at_s >= kept[-1][0]:
            kept.append((at_s, demand_frac))
    return kept


def wanted_spans_s(duty: Duty) -> list[tuple[int, int]]:
    """When the operator wants the machine to run: (start, end) pairs. [s]"""
    spans: list[tuple[int, int]] = []
    start_s: int | None = None
    for at_s, demand_frac in zip(duty.change_s.tolist(), duty.demand_frac.tolist(), strict=True):
        if demand_frac >= 0.0 and start_s is None:
            start_s = at_s
        elif demand_frac < 0.0 and start_s is not None:
            spans.append((start_s, at_s))
            start_s = None
    return spans
