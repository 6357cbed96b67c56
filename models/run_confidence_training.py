"""Learning how sure a run is, from the runs that the engine finds in a simulated fleet.

A run counts as right when a true run overlaps it, and both edges lie within the errors it states. Learnt from
trucks that report often alone, it says nothing of those that seldom do: training adds their twins.
"""

from __future__ import annotations

from collections.abc import Iterable

import msgspec
import numpy as np
from sklearn.feature_extraction import DictVectorizer
from sklearn.linear_model import LogisticRegression

from models.evaluation_truth import Clock
from models.event_matching import within_errors
from models.fleets import FleetUnit
from models.run_confidence import RunConfidence, terms
from models.state import Record

PENALTY_C = 0.1
"""Strong: runs of one unit hang together, so a rare witness is known from fewer units than it has runs."""


class RunTable(msgspec.Struct, frozen=True, kw_only=True):
    """Terms of each run, and whether it was right."""

    terms: list[dict[str, float]]
    right: list[bool]

    @staticmethod
    def joined(parts: Iterable[RunTable]) -> RunTable:
        """Tables one after another."""
        parts = list(parts)
        return RunTable(
            terms=[row for part in parts for row in part.terms],
            right=[right for part in parts for right in part.right],
        )


def run_table(unit: FleetUnit, rows: Record) -> RunTable:
    """The closed runs of a simulated unit, as `RUN_ROW`s, with what was true of them."""
    clock = Clock(unit)
    true_s = np.array([(clock.shown_s(r.start_s), clock.shown_s(r.end_s)) for r in unit.runs]).reshape(-1, 2)
    right = within_errors(
        np.column_stack([rows["start_t"], rows["end_t"]]),
        np.column_stack([rows["start_error_s"], rows["end_error_s"]]),
        true_s,
        unit.spec.instruments.every_s,
    )
    return RunTable(terms=[terms(row) for row in rows], right=right.tolist())


def fit_run_confidence(table: RunTable, *, seed: int) -> RunConfidence:
    """Weigh the witnesses; the penalty keeps what was seldom seen near to saying nothing."""
    vectorizer = DictVectorizer(sparse=False)
    columns = vectorizer.fit_transform(table.terms)
    fitted = LogisticRegression(C=PENALTY_C, max_iter=5000).fit(columns, table.right)
    return RunConfidence(
        base=round(float(fitted.intercept_[0]), 4),
        weights={
            name: round(float(weight), 4)
            for name, weight in zip(vectorizer.get_feature_names_out(), fitted.coef_[0], strict=True)
        },
        runs=len(table.right),
        within=sum(table.right),
        seed=seed,
    )
