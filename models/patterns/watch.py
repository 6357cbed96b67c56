"""What every pattern remembers of a unit, and how a finding is opened, revised and closed."""

from __future__ import annotations

import datetime as dt

import msgspec

from ingest.units_of_measure import FAHRENHEIT_PER_KELVIN, f_from_c
from models.records import Evidence, Finding, Pattern


class Watch(msgspec.Struct, frozen=True, kw_only=True):
    """A pattern's memory of one unit: the finding that stands, and when it was last seen true."""

    finding: Finding | None = None
    last_true_at: dt.datetime | None = None
    recent: tuple[dt.datetime | None, ...] = ()
    """Of a pattern that takes several moments to open: starts of the newest runs that spoke for it, None
    for one that did not, newest first."""


class Moment(msgspec.Struct, frozen=True, kw_only=True):
    """A decision moment: the fold's row with its instants as times and its features by name."""

    unit_id: str
    kind: float
    at: dt.datetime
    run_start_at: dt.datetime | None
    since_at: dt.datetime | None
    features: dict[str, float]


def instant(unix_s: float) -> dt.datetime | None:
    """An instant of the fold as an aware time; None when it is not known."""
    if unix_s != unix_s:
        return None
    return dt.datetime.fromtimestamp(round(unix_s, 3), dt.UTC)


def open_finding(
    moment: Moment,
    pattern: Pattern,
    start_at: dt.datetime,
    probability: float,
    evidence: tuple[Evidence, ...],
    run_start_at: dt.datetime | None,
    signals: tuple[str, ...] = (),
) -> Finding:
    """A new finding, flagged at the moment's reading and known from then on by unit, pattern and start."""
    return Finding(
        finding_id=f"{moment.unit_id}:{pattern.value}:{start_at.isoformat(timespec='seconds')}",
        unit_id=moment.unit_id,
        pattern=pattern,
        start_at=start_at,
        end_at=None,
        first_flagged_at=moment.at,
        confidence=round(probability, 4),
        evidence=evidence,
        run_start_at=run_start_at,
        evidence_at=moment.at,
        signals=signals,
    )


def renewed(finding: Finding, moment: Moment, evidence: tuple[Evidence, ...]) -> Finding:
    """The finding with what the moment and its run, if it is one's, now tell of it."""
    return msgspec.structs.replace(
        finding, evidence=evidence, evidence_at=moment.at, run_start_at=moment.run_start_at
    )


def close(watch: Watch, end_at: dt.datetime) -> tuple[Watch, list[Finding]]:
    """Close the standing finding; nothing happens when none stands."""
    if watch.finding is None:
        return watch, []
    ended = msgspec.structs.replace(watch.finding, end_at=max(end_at, watch.finding.start_at))
    return Watch(last_true_at=end_at), [ended]


def fact(name: str, value: float, text: str) -> Evidence:
    """One piece of evidence."""
    return Evidence(name=name, value=round(float(value), 4), text=text)


def rounded(value: float, digits: int = 0) -> str:
    """A number rounded for reading; never a minus before nothing."""
    # Adding zero turns -0.0 into 0.0.
    return f"{round(value, digits) + 0.0:.{digits}f}"


def temp_text(temp_c: float) -> str:
    """A temperature in both systems of units."""
    return f"{rounded(temp_c)} °C ({rounded(f_from_c(temp_c))} °F)"


def difference_text(difference_k: float, digits: int = 0) -> str:
    """A temperature difference in both systems of units."""
    return f"{rounded(difference_k, digits)} K ({rounded(FAHRENHEIT_PER_KELVIN * difference_k, digits)} °F)"
