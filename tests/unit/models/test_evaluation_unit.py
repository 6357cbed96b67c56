"""Evidence of one unit against the same comparisons done the slow way."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from models import engine
from models.artefact import load_models
from models.detectors import Models
from models.evaluation_unit import UnitEvidence, unit_evidence
from models.fleets import FleetUnit, fleet_unit
from models.parameters import Parameters
from models.replay import Collector
from models.training import as_judged_at_the_door, labelled, unit_rows
from tests.unit.models.histories import FAMILIES, FLEET_SEED, NEVER_HOT_UNIT

PARAMETERS = Parameters()
DAYS = 6


@pytest.fixture(scope="module")
def unit() -> FleetUnit:
    return fleet_unit(FLEET_SEED, NEVER_HOT_UNIT, machine_families=FAMILIES, days=DAYS, keep_truth=True)


@pytest.fixture(scope="module")
def evidence(unit: FleetUnit) -> UnitEvidence:
    return unit_evidence(unit, PARAMETERS, load_models(), [Models()])


@pytest.fixture(scope="module")
def whole(unit: FleetUnit) -> Collector:
    """The same history folded at once."""
    found = Collector()
    readings = as_judged_at_the_door(unit.readings)
    state, events = engine.advance(
        engine.initial_state(unit.profile.unit_id), readings, unit.profile, PARAMETERS, load_models()
    )
    found.take(events)
    found.take(engine.unfinished(state))
    return found


def test_a_unit_without_its_truth_is_refused(unit: FleetUnit) -> None:
    blind = fleet_unit(FLEET_SEED, NEVER_HOT_UNIT, machine_families=FAMILIES, days=1)
    with pytest.raises(ValueError, match="without keep_truth"):
        unit_evidence(blind, PARAMETERS, load_models(), [])


def test_findings_and_runs_are_those_of_the_whole_fold(evidence: UnitEvidence, whole: Collector) -> None:
    assert [t.flagged_s for t in evidence.told["models"]] == [
        f.first_flagged_at.timestamp() for f in whole.findings.values()
    ]
    assert len(evidence.told["models"]) > 0
    assert evidence.runs.found == len(whole.runs)


def test_water_is_compared_at_the_end_of_each_utc_day(
    evidence: UnitEvidence, whole: Collector, unit: FleetUnit
) -> None:
    assert unit.truth is not None
    first = dt.datetime.fromtimestamp(unit.start_at_ms / 1000.0, dt.UTC).date()
    for n in range(DAYS):
        said = whole.water_days[first + dt.timedelta(days=n)]
        assert (evidence.water.best_g[n], evidence.water.low_g[n], evidence.water.high_g[n]) == (
            said.grams,
            said.low,
            said.high,
        )
        # The truth's last row stands one step before midnight.
        row = min((n + 1) * 86400 // unit.truth.step_s, len(unit.truth.water_g) - 1)
        assert evidence.water.true_g[n] == unit.truth.water_g[row]
    assert evidence.water.unreported == 0


def test_air_is_compared_once_an_hour_at_most(evidence: UnitEvidence) -> None:
    n = len(evidence.air_hourly.error_k)
    assert 0 < n <= DAYS * 24
    assert np.all(np.isfinite(evidence.air_hourly.error_k))
    assert np.all(evidence.air_hourly.sigma_k > 0.0)


def test_the_ledger_closes(evidence: UnitEvidence) -> None:
    """Water in less water out is what stays, to rounding: the promise of the ledger."""
    assert np.abs(evidence.water.residual_g).max() < 1e-9
    assert np.abs(evidence.water.jump_g).max() < 1e-9


def test_runs_are_matched_on_the_trucks_clock(evidence: UnitEvidence, unit: FleetUnit) -> None:
    every_s = unit.spec.instruments.every_s
    assert evidence.runs.shown > 0
    assert evidence.runs.missed == 0
    assert np.median(np.abs(evidence.runs.start_error_s)) <= every_s
    assert len(evidence.runs.start_error_s) == len(evidence.runs.end_error_s)


def test_moments_are_those_of_full_weight(evidence: UnitEvidence, unit: FleetUnit) -> None:
    for pattern, table in labelled(unit, unit_rows(unit, PARAMETERS), 0).items():
        sure = table.weight == 1.0
        np.testing.assert_array_equal(evidence.moments[pattern].truth, table.truth[sure])
        assert len(evidence.moments[pattern].probability) == sure.sum()


def test_tags_name_what_confounds(evidence: UnitEvidence, unit: FleetUnit) -> None:
    assert unit.spec.tags <= evidence.tags
    assert ("air_temperature_sent" in evidence.tags) == unit.spec.instruments.sends_ambient
    assert ("silent_while_parked" in evidence.tags) == unit.spec.instruments.only_key_on
