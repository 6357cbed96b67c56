"""Decision moments made by hand, and what every sentence of evidence must keep to."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable

from models.features import PRESSURE_COLUMNS, RUN_COLUMNS, WARMING_COLUMNS
from models.patterns.watch import Moment
from models.records import Evidence
from models.state import DRIED, GOT_HOT, LOW_WHILE_RUNNING, PRESSURE_DOUBT, PRESSURE_SOUND, RUN_ENDED, WARMING

MONDAY = dt.datetime(2026, 1, 5, 8, 0, tzinfo=dt.UTC)
UNIT = "truck-7"


def after(minutes: float) -> dt.datetime:
    return MONDAY + dt.timedelta(minutes=minutes)


def _moment(
    kind: float,
    at_min: float,
    columns: tuple[str, ...],
    usual: dict[str, float],
    features: dict[str, float],
    run_start_min: float,
    since_min: float | None,
) -> Moment:
    unknown = set(features) - set(columns)
    assert not unknown, f"no such columns: {unknown}"
    return Moment(
        unit_id=UNIT,
        kind=kind,
        at=after(at_min),
        run_start_at=after(run_start_min),
        since_at=None if since_min is None else after(since_min),
        features={name: features.get(name, usual.get(name, 0.0)) for name in columns},
    )


def run_ended(
    at_min: float, *, start_min: float = 0.0, since_min: float | None = 0.0, **features: float
) -> Moment:
    usual = {"wet": 1.0, "wet_runs_week": 4.0, "water_ratio": 1.2, "water_low_ratio": 0.6, "run_min": 4.0}
    return _moment(RUN_ENDED, at_min, RUN_COLUMNS, usual, features, start_min, since_min)


def warming(at_min: float, *, start_min: float = 0.0, **features: float) -> Moment:
    usual = {
        "elapsed_min": at_min - start_min,
        "short_of_required_k": 28.0,
        "now_c": 47.0,
        "left_k": 8.0,
        "rate_k_min": 0.4,
        "required_c": 75.0,
        "own_warm_up_ratio": 2.4,
    }
    return _moment(WARMING, at_min, WARMING_COLUMNS, usual, features, start_min, start_min)


def pressure_doubt(
    at_min: float, *, start_min: float = 0.0, since_min: float = 3.0, **features: float
) -> Moment:
    usual = {
        "conflict_kind": LOW_WHILE_RUNNING,
        "conflict_min": at_min - since_min,
        "ambient_c": -8.0,
        "ambient_error_k": 2.0,
        "cold_h": 11.0,
        "temp_change_k": 28.0,
        "unmoved_min": 45.0,
        "since_edge_min": at_min - start_min,
    }
    return _moment(PRESSURE_DOUBT, at_min, PRESSURE_COLUMNS, usual, features, start_min, since_min)


def pressure_sound(at_min: float, *, contradicted_ago_min: float = 1.0) -> Moment:
    ago = {"contradicted_ago_s": 60.0 * contradicted_ago_min}
    return _moment(PRESSURE_SOUND, at_min, PRESSURE_COLUMNS, ago, {}, 0.0, 0.0)


def dried(at_min: float) -> Moment:
    return _moment(DRIED, at_min, (), {}, {}, 0.0, 0.0)


def got_hot(at_min: float, *, start_min: float = 0.0) -> Moment:
    return _moment(GOT_HOT, at_min, (), {}, {}, start_min, start_min)


UNITS = r"(min|h|days|%|kPa|psi|K|°C|°F|times|runs?|m3|g)\b|%|°[CF]"


def assert_readable(evidence: Iterable[Evidence]) -> None:
    """Whole sentences; every number with a unit; both systems of units for what two systems measure."""
    texts = [fact.text for fact in evidence]
    assert texts
    for text in texts:
        assert re.match(r"[A-Z0-9].*\.$", text), text
        assert "nan" not in text.lower(), text
        assert not re.search(r"-0(\.0+)?\b", text), text
        assert re.search(r"\d", text), text
        assert re.search(UNITS, text), text
        assert len(re.findall(r"\d °C", text)) <= len(re.findall(r"°C \(-?\d+ °F\)", text)), text
        assert len(re.findall(r"\d K\b", text)) == len(re.findall(r"\d K \(-?[\d.]+ °F\)", text)), text
        assert len(re.findall(r"\d kPa\b", text)) == len(re.findall(r"\d kPa \(-?\d+ psi\)", text)), text
        assert not re.search(r"\b1 runs\b|\b([02-9]|\d\d+) run\b|\bruns before was\b|  ", text), text
    assert all(fact.name and fact.value == fact.value for fact in evidence)
