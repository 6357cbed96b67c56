"""How a unit stands: what its sump held before it was first heard, nobody knows until it has been dry."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from ingest.maintenance import Service, Work
from models import engine
from models.artefact import load_models
from models.records import Outcome, UnitStatus
from tests.unit.models.histories import (
    MONDAY_MS,
    PARAMETERS,
    PROFILE,
    changed,
    fold,
    machine_history,
    observed,
)

SHORT = (6.0, 3.0, 0.6)
LONG = (10.0, 60.0, 1.2)
"""Common practice: 20 to 30 minutes at temperature dry a sump. A tool that draws the pressure below its
rating leaves no doubt that air flows."""


def standing(*runs: tuple[float, float, float], service: Service | None = None) -> UnitStatus:
    found = fold(observed(machine_history(runs)))
    state = found.state
    if service is not None:
        state, _ = engine.settle(state, load_models(), [service])
    status = engine.status(state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    return status


def test_a_unit_is_not_called_dry_before_a_run_or_work_has_dried_it() -> None:
    assert not standing().seen_dry
    assert not standing(SHORT).seen_dry
    assert standing(SHORT, LONG).seen_dry
    assert standing(LONG).seen_dry, "one that never was wet, too"
    assert standing(LONG, (14.0, 3.0, 0.6)).seen_dry, "it has been dry once"


@pytest.mark.parametrize("work", [Work.DRAIN, Work.OIL_CHANGE])
def test_recorded_work_settles_it(work: Work) -> None:
    at_ms = MONDAY_MS + 25 * 3_600_000
    done = Service(
        service_id=0, unit_id="unit", work=work, done_at_ms=at_ms, recorded_at_ms=at_ms, recorded_by="yard"
    )
    assert standing(SHORT, service=done).seen_dry


def test_days_since_it_was_dry_count_from_its_last_dry_run() -> None:
    """Wet or not before: a machine that runs hot every day has been dry today."""
    truth = machine_history([LONG, (30.0, 60.0, 1.2)], hours=34.0)
    memory = fold(observed(truth)).state.memory[0]
    dried_s = float(memory["last_dry_t"]) - MONDAY_MS / 1000.0
    assert dried_s == pytest.approx(truth.runs[1].end_s, abs=30.0)


@pytest.mark.parametrize("signal", ["discharge_temp_c", "pressure_kpa"])
def test_what_no_longer_comes_is_not_shown_as_it_is_now(signal: str) -> None:
    """A sump that read 0 kPa days ago may hold full pressure."""
    sent = observed(machine_history([LONG], hours=24.0))
    column = getattr(sent, signal)
    lost = (sent.observed_at_ms - MONDAY_MS) / 3.6e6 > 20.0
    stopped = changed(sent, signal, lost, np.where(lost, np.nan, column)[lost])
    status = engine.status(fold(stopped).state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    assert math.isnan(getattr(status, signal))
    assert status.pressure_trusted == (signal != "pressure_kpa")


def test_a_full_sump_still_counts_wet_runs() -> None:
    """The worst unit must not look better as it gets worse."""
    runs = [(1.0 + 2.0 * i, 12.0, 1.0) for i in range(22)]
    small = msgspec.structs.replace(PROFILE, oil_charge_kg=0.4)
    truth = machine_history(runs, air_c=30.0, rh=0.9, hours=46.0)
    found = fold(observed(truth), profile=small)
    full = [run for run in found.runs if run.water_carried_over_g > 0.5 and run.hot_min < 5.0]
    assert full, "never full: tests nothing"
    assert all(run.outcome is Outcome.ADDED_WATER for run in full)
    assert found.state.memory[0]["wet_runs"] >= len(full)
