"""Evidence of one unit made by hand, for tests of the tables."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from models.evaluation_foretold import Foretold
from models.evaluation_unit import Air, Runs, UnitEvidence, Water
from models.event_matching import Occurrence, Told
from models.records import Pattern

H = 3600.0
NONE = np.zeros(0)
QUIET = UnitEvidence(
    unit_id="a",
    family="compact",
    climate="marine",
    operator="bursts",
    tags=frozenset(),
    every_s=10,
    months=1.0,
    until_s=1000 * H,
    readings=100,
    air_hourly=Air(error_k=NONE, sigma_k=NONE),
    air_of_runs=Air(error_k=NONE, sigma_k=NONE),
    runs=Runs(
        shown=0,
        missed=0,
        found=0,
        invented=0,
        split=0,
        merged=0,
        start_error_s=NONE,
        end_error_s=NONE,
        hot=0,
        hot_unseen=0,
        hot_invented=0,
        to_hot_error_min=NONE,
        delivered_ratio=NONE,
        confidence=NONE,
        within=np.zeros(0, np.bool_),
    ),
    water=Water(
        true_g=NONE,
        best_g=NONE,
        low_g=NONE,
        high_g=NONE,
        harmful_g=40.0,
        unreported=0,
        residual_g=NONE,
        jump_g=NONE,
    ),
    occurrences=(),
    faults=(),
    shown=(),
    told={"models": ()},
    moments={},
    foretold=Foretold(**{one.name: np.zeros(0) for one in dataclasses.fields(Foretold)}),
)
"""A month in which nothing happened."""


def unit(unit_id: str = "a", **changes: Any) -> UnitEvidence:
    """A quiet month with some of it changed; `told` may be the findings of the models alone."""
    told = changes.get("told")
    if told is not None and not isinstance(told, dict):
        changes["told"] = {"models": tuple(told)}
    if "occurrences" in changes and "shown" not in changes:
        changes["shown"] = (True,) * len(changes["occurrences"])
    return dataclasses.replace(QUIET, unit_id=unit_id, **changes)


def occurrence(pattern: Pattern, start_h: float, end_h: float, **more: Any) -> Occurrence:
    """A clear occurrence of unit a, in hours."""
    given = {"unit_id": "a", "marginal": False, "decidable_s": start_h * H, "moments_s": (start_h * H,)}
    return Occurrence(pattern=pattern, start_s=start_h * H, end_s=end_h * H, **{**given, **more})


def told(pattern: Pattern, start_h: float, end_h: float, flagged_h: float, unit_id: str = "a") -> Told:
    """A finding, in hours."""
    return Told(
        unit_id=unit_id, pattern=pattern, start_s=start_h * H, end_s=end_h * H, flagged_s=flagged_h * H
    )
