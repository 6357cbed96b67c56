"""Short-cycling: runs that end before the oil is hot keep coming, and their water builds up in the sump.

The pattern itself needs four wet runs in a week and a harmful amount of water. The warning comes before that
is complete: at the third wet run, or the second that did harm already, if the model holds the rest likely.
"""

from __future__ import annotations

from models.features import RUN_COLUMNS as COLUMNS
from models.patterns.watch import Moment, Watch, close, fact, open_finding, renewed
from models.records import Evidence, Finding, Pattern
from models.state import DRIED, RUN_ENDED

__all__ = ["COLUMNS", "FEATURES", "JUDGED_AT", "PATTERN", "evidence", "judge"]

PATTERN = Pattern.SHORT_CYCLING
JUDGED_AT = RUN_ENDED
FEATURES = (
    "wet_runs_week",
    "water_ratio",
    "water_high_ratio",
    "mean_gain_ratio",
    "since_dry_days",
    "since_first_wet_days",
    "projected_ratio",
)
"""What its model is given, of the row's columns."""


def evidence(f: dict[str, float]) -> tuple[Evidence, ...]:
    """What the features say, in words."""
    n = round(f["wet_runs_week"])
    return (
        fact(
            "wet_runs_week",
            n,
            f"{n} run{'s' if n != 1 else ''} in the last 7 days ended cool and left water behind.",
        ),
        fact(
            "water_ratio",
            f["water_ratio"],
            f"The sump holds about {_part(f['water_ratio'])} the harmful amount of water"
            f" ({_least(f['water_low_ratio'])}, at most {_part(f['water_high_ratio'])} it).",
        ),
        fact(
            "run_min",
            f["run_min"],
            f"The last run took {f['run_min']:.1f} min and "
            + (f"was hot for {f['hot_min']:.1f} min." if f["hot_min"] > 0 else "never got hot."),
        ),
        fact(
            "since_dry_days",
            f["since_dry_days"],
            f"The sump has not been dry for {f['since_dry_days']:.1f} days."
            if f["since_dry_days"] < 30
            else "The sump has not been dry for a month or more.",
        ),
    )


def _least(ratio: float) -> str:
    """The low bound; what rounds to nothing may be nothing."""
    return f"at least {_part(ratio)} it" if ratio >= 0.005 else "perhaps none"


def _part(ratio: float) -> str:
    """A part or a multiple of the harmful amount, to be followed by what it is of."""
    return f"{100.0 * ratio:.0f} % of" if ratio < 0.995 else f"{ratio:.1f} times"


def judge(watch: Watch, moment: Moment, probability: float, threshold: float) -> tuple[Watch, list[Finding]]:
    """Open at the wet run that makes it likely, keep the evidence fresh, close when the sump has dried."""
    if moment.kind == DRIED:
        return close(watch, moment.at)
    if moment.kind != RUN_ENDED:
        return watch, []
    if watch.finding is not None:
        revised = renewed(watch.finding, moment, evidence(moment.features))
        return Watch(finding=revised, last_true_at=moment.at), [revised]
    if probability < threshold or not _keeps_coming(moment.features) or moment.since_at is None:
        return watch, []
    opened = open_finding(
        moment, PATTERN, moment.since_at, probability, evidence(moment.features), moment.run_start_at
    )
    return Watch(finding=opened, last_true_at=moment.at), [opened]


def _keeps_coming(f: dict[str, float]) -> bool:
    """One short run is not it, nor two, unless even the lowest estimate of their water does harm already."""
    return f["wet"] > 0.0 and f["wet_runs_week"] >= (2.0 if f["water_low_ratio"] >= 1.0 else 3.0)
