"""Which finding explains which: one cause is told once, not as everything that it makes look wrong.

A pattern does not open while a finding stands that explains it, and what began in the hour before the cause,
or since, is closed as explained when the cause is recognised. Pure.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

import msgspec

from ingest.reading import SIGNALS
from models.patterns.watch import Watch
from models.records import Finding, Pattern

EXPLAINS_BACK = dt.timedelta(hours=1)
"""A cause is recognised some minutes after it began. What began longer before it was there without it."""

SUPPRESSED_BY: dict[Pattern, frozenset[Pattern]] = {
    Pattern.SILENT_UNIT: frozenset(),
    Pattern.STALE_TELEMETRY: frozenset(),
    Pattern.PRESSURE_SENSOR_ICING: frozenset({Pattern.STALE_TELEMETRY, Pattern.SENSOR_FAULT}),
    Pattern.SENSOR_FAULT: frozenset({Pattern.STALE_TELEMETRY, Pattern.PRESSURE_SENSOR_ICING}),
    # Not by a failed sensor: a true overheating told beside it does less harm than one that is not told.
    Pattern.OVERHEATING: frozenset({Pattern.STALE_TELEMETRY}),
    Pattern.SLOW_PRESSURE_BUILD: frozenset(
        {Pattern.STALE_TELEMETRY, Pattern.PRESSURE_SENSOR_ICING, Pattern.SENSOR_FAULT}
    ),
    Pattern.NEVER_REACHING_TEMPERATURE: frozenset({Pattern.STALE_TELEMETRY, Pattern.SENSOR_FAULT}),
    Pattern.SHORT_CYCLING: frozenset({Pattern.STALE_TELEMETRY, Pattern.SENSOR_FAULT}),
    # Whatever can say what is wrong goes before what can only say that something is.
    Pattern.UNLIKE_ITSELF: frozenset(set(Pattern) - {Pattern.UNLIKE_ITSELF, Pattern.SILENT_UNIT}),
}
"""Pattern -> patterns whose finding explains it away. Listed in the order of judging, causes first, so that a
reading that shows both opens the cause alone."""

DRAWN_FROM: dict[Pattern, frozenset[str]] = {
    Pattern.SILENT_UNIT: frozenset(SIGNALS),
    Pattern.STALE_TELEMETRY: frozenset(SIGNALS),
    Pattern.PRESSURE_SENSOR_ICING: frozenset({"pressure_kpa"}),
    Pattern.SENSOR_FAULT: frozenset(SIGNALS),
    Pattern.OVERHEATING: frozenset({"discharge_temp_c"}),
    Pattern.SLOW_PRESSURE_BUILD: frozenset({"pressure_kpa"}),
    Pattern.NEVER_REACHING_TEMPERATURE: frozenset({"discharge_temp_c"}),
    Pattern.SHORT_CYCLING: frozenset({"discharge_temp_c", "hours"}),
    Pattern.UNLIKE_ITSELF: frozenset({"discharge_temp_c", "pressure_kpa"}),
}
"""Pattern -> signals without which it could not be told. A sensor known to be wrong explains only what is
drawn from it."""

EXPLAINS_ONLY: dict[tuple[Pattern, Pattern], frozenset[str]] = {
    (Pattern.PRESSURE_SENSOR_ICING, Pattern.SENSOR_FAULT): frozenset(
        {"pressure_kpa_stuck_min", "pressure_kpa_zero_off_min", "pressure_kpa_charged_min"}
    )
}
"""(Cause, explained) -> the facts that the cause can bring about: ice holds a reading fast, but breaks no
circuit and stops no message."""


def explains(cause: Finding, finding: Finding) -> bool:
    """Whether a standing finding leaves no ground for another one of its unit."""
    if cause.pattern not in SUPPRESSED_BY[finding.pattern]:
        return False
    only = EXPLAINS_ONLY.get((cause.pattern, finding.pattern))
    if only is not None and not only.issuperset(fact.name for fact in finding.evidence):
        return False
    drawn_from = frozenset(finding.signals) or DRAWN_FROM.get(finding.pattern, frozenset(SIGNALS))
    return not cause.signals or not drawn_from.isdisjoint(cause.signals)


def explanation(finding: Finding, watches: Iterable[Watch]) -> Finding | None:
    """The standing finding that explains one about to open; None when nothing does."""
    standing = (watch.finding for watch in watches)
    return next((cause for cause in standing if cause is not None and explains(cause, finding)), None)


def explained(watch: Watch, cause: Finding) -> tuple[Watch, list[Finding]]:
    """Close what stands if the cause, just recognised, explains it; what began well before it stays."""
    finding = watch.finding
    if finding is None or not explains(cause, finding) or finding.start_at < cause.start_at - EXPLAINS_BACK:
        return watch, []
    end_at = max(cause.first_flagged_at, finding.start_at)
    ended = msgspec.structs.replace(finding, end_at=end_at, explained_by=cause.pattern)
    return Watch(last_true_at=end_at), [ended]
