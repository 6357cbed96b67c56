"""Every kind of hostile input, from the bytes of a message to the words that a page shows for it.

Nothing raises, no message is lost, no ledger is poisoned, and what is held against the readings can be read:
as a flag in words, as a finding, or as the reason in quarantine. `docs/quality.md` names every kind.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from dashboards.doubtful import of_last_day
from ingest.batch import Batch, unstacked
from ingest.database import open_database
from ingest.payload import Limits
from ingest.register import Register
from ingest.results import Results
from ingest.store.embedded import EmbeddedStore
from models.analyst import Analyst
from models.artefact import load_models
from models.records import Finding, Run, UnitStatus, WaterDay
from tests.unit.models.histories import PARAMETERS, PROFILE
from tests.unit.models.hostile import KINDS, SOUND, Kind, messages

PAGE = Path(__file__).parents[2] / "docs" / "quality.md"


@pytest.mark.parametrize("kind", [SOUND, *KINDS], ids=lambda kind: kind.name)
def test_nothing_raises_nothing_is_lost_and_it_can_be_read(kind: Kind, tmp_path: Path) -> None:
    sent = messages(kind)
    database = open_database(f"sqlite:///{tmp_path / 'operations.db'}")
    store, register, results = EmbeddedStore(tmp_path / "readings.db"), Register(database), Results(database)
    register.put(PROFILE, 0)
    analyst = Analyst(store, database, register, PARAMETERS, load_models(), clock_ms=lambda: sent[-1][1])
    batch = Batch()
    for payload, received_at_ms in sent:
        batch.add("compressors/unit/readings", payload, received_at_ms, "compressors", Limits())
    readings = unstacked(batch.readings, {})
    assert len(readings) + len(batch.rejected) == len(sent)
    for part in np.array_split(np.arange(len(readings)), 7):
        rows = [readings[i] for i in part]
        store.append(rows)
        analyst.note_stored(rows)
        analyst.catch_up("unit", sent[-1][1])

    assert store.count("unit", 2**60) == len({row.observed_at_ms for row in readings})
    status = results.status(UnitStatus, "unit")
    assert status is not None
    days = results.water_days(WaterDay, "unit")
    assert days
    assert all(0.0 <= day.low <= day.grams <= day.high < math.inf for day in days)
    assert 0.0 <= status.water_low_g <= status.water_g <= status.water_high_g < math.inf
    for run in results.runs(Run, "unit"):
        assert all(math.isfinite(figure) and figure >= 0.0 for figure in (run.water_in_g, run.water_out_g))

    trace = analyst.trace("unit", 0, 2**53)
    seen = int(np.bitwise_or.reduce(trace.quality)) | int(np.bitwise_or.reduce([r.quality for r in readings]))
    assert seen & kind.flag == kind.flag
    assert kind.words in " ".join(of_last_day(status))
    assert kind is not SOUND or (of_last_day(status) == [] and seen == 0)
    if kind.finding is not None:
        assert kind.finding in {finding.pattern for finding in results.findings(Finding, "unit")}
    assert bool(batch.rejected) == bool(kind.reason)
    assert all(kind.reason in rejected.reason for rejected in batch.rejected)
    store.close()
    database.dispose()


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_every_kind_is_named_on_the_page(kind: Kind) -> None:
    table = PAGE.read_text(encoding="utf-8").partition("## Kinds of hostile input")[2]
    assert f"| {kind.name} |" in table
    if kind.flag:
        (line,) = (line for line in table.splitlines() if line.startswith(f"| {kind.name} |"))
        assert f"`{kind.flag.name}`" in line
