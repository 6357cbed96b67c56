"""Labels from the hidden state alone and the written meanings of the three patterns.

Whatever lies near a definition's threshold is labelled `border`: to find it or not to find it is both right.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from . import hidden
from .humid_air import dew_point_c

HARMFUL_G = 41.5
"""0.5 % of an oil charge of 8.3 kg."""
MARGIN_K, FLOOR_C = 10.0, 65.0
WEEK_S = 7 * 86_400
HARMFUL_ERROR_KPA = 70.0

Episode = dict[str, object]
Twin = Callable[[int, int, bool], float]
"""(run, seconds to simulate, at full flow) -> a healthy unit's seconds to hot; inf when never."""


@dataclass(frozen=True)
class RunFacts:
    """What truly happened in each run; every field of shape (n_runs,)."""

    start_s: np.ndarray
    end_s: np.ndarray
    hot_s: np.ndarray
    first_hot_s: np.ndarray
    """Seconds from the start until hot; inf when never."""
    shortfall_k: np.ndarray
    """Required less discharge temperature where it came nearest, under working pressure. [K]"""
    gain_g: np.ndarray
    shown: np.ndarray
    """Share of the readings due in the run that truly reached somebody, 0-1."""

    @property
    def length_min(self) -> np.ndarray:
        """Length of each run. [min]"""
        return (self.end_s - self.start_s) / 60.0


def excess_k(
    grid: np.ndarray, vapour_pa: np.ndarray, minimum_kpa: float, atmosphere_kpa: float
) -> np.ndarray:
    """Discharge over required temperature [K], -inf where not running under working pressure. Shape (n,)."""
    ratio = (grid[:, hidden.SUMP_KPA] + atmosphere_kpa) / atmosphere_kpa
    required = np.maximum(dew_point_c(vapour_pa * ratio) + MARGIN_K, FLOOR_C)
    working = (grid[:, hidden.RUNNING] > 0) & (grid[:, hidden.SUMP_KPA] >= 0.9 * minimum_kpa)
    return np.where(working, grid[:, hidden.DISCHARGE_C] - required, -np.inf)


def run_facts(
    course: hidden.Hidden, surroundings: np.ndarray, told_s: np.ndarray, sampling_s: int
) -> RunFacts:
    """Facts of every run; `told_s` are the instants of honest readings that arrived, in order."""
    grid, step = course.grid, hidden.GRID_S
    n_runs = len(course.start_s)
    hot_s, gain = np.zeros(n_runs), np.zeros(n_runs)
    first_hot, shortfall = np.full(n_runs, np.inf), np.full(n_runs, np.inf)
    for i, (a, b) in enumerate(zip(course.start_s, course.end_s, strict=True)):
        rows = slice(a // step, max(b // step, a // step + 1))
        vapour = surroundings[np.arange(rows.start, rows.stop) * step // 60, hidden.VAPOUR_PA]
        excess = excess_k(grid[rows], vapour, course.minimum_pressure_kpa, course.atmosphere_kpa)
        hot_s[i] = step * np.count_nonzero(excess >= 0.0)
        if hot_s[i]:
            first_hot[i] = step * np.argmax(excess >= 0.0)
        shortfall[i] = -excess.max(initial=-np.inf)
        after = min(rows.stop + 12, len(grid) - 1)
        gain[i] = grid[after, hidden.WATER_G] - grid[max(rows.start - 1, 0), hidden.WATER_G]
    rows_inside = np.searchsorted(told_s, course.end_s) - np.searchsorted(told_s, course.start_s)
    shown = np.minimum(1.0, rows_inside * sampling_s / np.maximum(course.end_s - course.start_s, sampling_s))
    return RunFacts(course.start_s, course.end_s, hot_s, first_hot, shortfall, gain, shown)


def _wet_spells(grid: np.ndarray) -> list[tuple[int, int]]:
    """Grid rows between one dry sump and the next, with a deadband."""
    water, free = grid[:, hidden.WATER_G], grid[:, hidden.FREE_G]
    dry = (water < 0.1 * HARMFUL_G) | ((free < 0.5) & (water < 0.25 * HARMFUL_G))
    marks = np.where(dry, 0, np.where(water > 0.15 * HARMFUL_G, 1, -1))
    known = np.flatnonzero(marks >= 0)
    if not len(known):
        return []
    newest = np.maximum(np.searchsorted(known, np.arange(len(marks)), side="right") - 1, 0)
    filled = marks[known[newest]].astype(np.int8)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], filled, [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _first_decided(
    runs: RunFacts,
    rows: np.ndarray,
    wet: np.ndarray,
    water_g: np.ndarray,
    count: int,
    level_g: float,
    share: float,
    span_s: float,
) -> tuple[int, int] | None:
    """(first wet run of the chain, deciding run) within a wet spell, or None."""
    gains = np.maximum(runs.gain_g, 0.0)
    mine = [i for i in rows if wet[i]]
    for k, i in enumerate(mine):
        week = [j for j in mine[: k + 1] if runs.end_s[i] - runs.start_s[j] <= WEEK_S]
        if len(week) < count or water_g[i] < level_g:
            continue
        taken = gains[[j for j in rows if j <= i]].sum()
        if gains[mine[: k + 1]].sum() < share * taken:
            continue
        first = k
        while first > 0 and runs.start_s[mine[first]] - runs.start_s[mine[first - 1]] <= WEEK_S:
            first -= 1
        if runs.end_s[i] - runs.start_s[mine[first]] >= span_s:
            return mine[first], i
    return None


def short_cycling(course: hidden.Hidden, runs: RunFacts) -> list[Episode]:
    """Episodes of short cycling, border ones marked."""
    step, grid = hidden.GRID_S, course.grid
    length = runs.length_min
    wet = (length < 15) & (runs.hot_s < 300) & (runs.gain_g > 0.5)
    surely = (length < 13.5) & (runs.hot_s < 240) & (runs.gain_g > 1.0) & (runs.shown > 0.3)
    perhaps = (length < 16.5) & (runs.hot_s < 360) & (runs.gain_g > 0.3)
    water = grid[np.minimum(runs.end_s // step + 12, len(grid) - 1), hidden.WATER_G]
    found: list[Episode] = []
    for a, b in _wet_spells(grid):
        rows = np.flatnonzero((runs.end_s >= a * step) & (runs.start_s < b * step))
        strict = _first_decided(runs, rows, surely, water, 5, 1.25 * HARMFUL_G, 0.7, 86_400)
        loose = _first_decided(runs, rows, perhaps, water, 3, 0.75 * HARMFUL_G, 0.3, 0)
        if loose is None:
            continue
        literal = _first_decided(runs, rows, wet, water, 4, HARMFUL_G, 0.5, 0)
        first, decided = literal or strict or loose
        found.append(
            {
                "pattern": "short_cycling",
                "start_s": int(runs.start_s[min(first, loose[0])]),
                "end_s": int(b * step),
                "decidable_s": int(runs.end_s[decided]),
                "wet_runs_s": [int(runs.start_s[i]) for i in rows if wet[i] and i >= loose[0]],
                "severity": float(grid[a:b, hidden.WATER_G].max() / HARMFUL_G),
                "border": strict is None,
            }
        )
    return found


def _never_verdict(runs: RunFacts, i: int, twin: Twin) -> int:
    """2 surely never reaching temperature, 1 on the border, 0 not."""
    length_s = float(runs.end_s[i] - runs.start_s[i])
    barely = runs.hot_s[i] <= 60 or (runs.hot_s[i] <= 0.15 * length_s and runs.shortfall_k[i] > -5.0)
    if length_s < 0.85 * 900 or (runs.first_hot_s[i] <= 900 and not barely):
        return 0
    horizon_s = int(min(max(1.2 * length_s, 3600.0), 7200.0))
    same, full = twin(i, horizon_s, False), twin(i, horizon_s, True)
    plain = runs.hot_s[i] == 0 and runs.shortfall_k[i] > 2.0 and runs.shown[i] > 0.7
    if plain and length_s >= 1.15 * 900 and length_s >= 2.3 * same:
        return 2
    if not barely:
        # hot in the end, but only after a stretch that met the whole definition
        return 1 if runs.first_hot_s[i] > 2.0 * same else 0
    return 1 if length_s >= 1.7 * min(same, full) else 0


def never_reaching(runs: RunFacts, twin: Twin) -> list[Episode]:
    """Chains of runs that never get hot although a healthy twin would have."""
    found: list[Episode] = []
    chain: list[tuple[int, int]] = []

    def close() -> None:
        if chain:
            sure = [i for i, verdict in chain if verdict == 2]
            found.append(
                {
                    "pattern": "never_reaching_temperature",
                    "start_s": int(runs.start_s[chain[0][0]]),
                    "end_s": int(runs.end_s[chain[-1][0]]),
                    "decidable_s": int(runs.start_s[(sure or [chain[0][0]])[0]]),
                    "runs_s": [int(runs.start_s[i]) for i, _ in chain],
                    "sure_runs_s": [int(runs.start_s[i]) for i in sure],
                    "severity": float(np.median(runs.shortfall_k[[i for i, _ in chain]])),
                    "border": not sure,
                }
            )
            chain.clear()

    for i in range(len(runs.start_s)):
        verdict = _never_verdict(runs, i, twin)
        if verdict:
            chain.append((i, verdict))
        elif runs.length_min[i] >= 15:
            close()
    close()
    return found


def icing(course: hidden.Hidden, told_s: np.ndarray) -> list[Episode]:
    """One episode for each plug that makes the reading wrong."""
    grid, step = course.grid, hidden.GRID_S
    ice = grid[:, hidden.ICE] > 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], ice.astype(np.int8), [0]])))
    found: list[Episode] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        error = grid[a:b, hidden.READING_KPA] - grid[a:b, hidden.SUMP_KPA]
        wrong = np.flatnonzero(np.abs(error) > 40.0)
        if not len(wrong):
            continue
        harmful = np.abs(error) > HARMFUL_ERROR_KPA
        rows = np.flatnonzero(np.abs(error) > 100.0) + a
        shown = np.searchsorted(told_s, (rows + 1) * step) > np.searchsorted(told_s, rows * step)
        running = grid[a:b, hidden.RUNNING] > 0
        sealed = grid[a:b, hidden.ICE].max() > 1
        low_running = np.count_nonzero(harmful & running) >= np.count_nonzero(harmful & ~running)
        first = np.flatnonzero(harmful)[0] if harmful.any() else wrong[0]
        found.append(
            {
                "pattern": "pressure_sensor_icing",
                "start_s": int((a + first) * step),
                "end_s": int((a + wrong[-1] + 1) * step),
                "decidable_s": int((a + first) * step),
                "severity": float(np.abs(error).max()),
                "form": "damped" if not sealed else ("wrong_running" if low_running else "wrong_stopped"),
                "border": bool(step * len(rows) < 600 or np.count_nonzero(shown) < 8),
            }
        )
    return found
