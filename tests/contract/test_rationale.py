"""Every pattern tells a person what to do, safely; docs/alarms.md says what the code does."""

from __future__ import annotations

import dataclasses
import datetime as dt
import re
from pathlib import Path

import pytest

from alerts.alarm import LEGAL_FROM, Action, AlarmState, Priority
from alerts.policy import AlarmPolicy
from alerts.rationale import RationaleError, parse_rationales, rationales
from models.records import Pattern

ROOT = Path(__file__).parents[2]
DOC = (ROOT / "docs/alarms.md").read_text("utf-8")
TOML = (ROOT / "alerts/rationale.toml").read_text("utf-8")


def table(header: str) -> list[list[str]]:
    """Cells of the rows below the header that starts so, back-ticks taken off."""
    lines = DOC.splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith(f"| {header} "))
    rows = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in line.strip("|").split("|")])
    return rows


def names(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


@pytest.mark.parametrize("pattern", list(Pattern))
def test_pattern_tells_cause_consequence_and_steps(pattern):
    entry = rationales()[pattern]
    assert len(entry.response) >= 4
    for text in (entry.cause, entry.consequence, *entry.response, *entry.cautions):
        assert 30 <= len(text) <= 400, text
        assert text[-1] in ".!", text
    assert len(entry.title) <= 60
    assert len(entry.action) <= 60
    assert not entry.action.endswith(".")
    assert entry.time_to_respond > dt.timedelta(0)
    assert entry.on_delay < entry.time_to_respond


SAFETY = {
    "estimate from sensors": r"[Ee]stimate from sensors",
    "hot oil": r"[Hh]ot: oil",
    "cool before opening": r"40 °C \(104 °F\)",
    "stored pressure": r"[Ss]tored pressure",
    "iced sensor can read 0": r"iced or failed sensor can read 0 with full pressure inside",
    "second gauge": r"second, independent gauge",
    "relieve": r"relieve all pressure",
    "lock-out": r"[Ll]ock out",
    "manual": r"manual",
    "local codes": r"local codes",
    "technician": r"qualified technician",
    "nothing starts a machine": r"nothing here starts or stops a machine",
}


@pytest.mark.parametrize("pattern", list(Pattern))
@pytest.mark.parametrize("caution", list(SAFETY))
def test_pattern_shows_every_safety_caution(pattern, caution):
    assert re.search(SAFETY[caution], " ".join(rationales()[pattern].cautions))


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        (
            Pattern.SHORT_CYCLING,
            [r"OPEN the air valve", r"at least 20 min", r"valve shut dries nothing", r"[Mm]ilky"],
        ),
        (Pattern.NEVER_REACHING_TEMPERATURE, [r"thermal valve", r"cooler fan", r"stuck open"]),
        (
            Pattern.PRESSURE_SENSOR_ICING,
            [r"NOT trust", r"second, independent gauge", r"No open flame", r"heat-trace", r"slope the line"],
        ),
    ],
)
def test_response_holds_the_steps_of_common_practice(pattern, words):
    """Common practice: exercise 20-30 min with air flowing; thaw without flame; a second gauge."""
    response = " ".join(rationales()[pattern].response)
    for word in words:
        assert re.search(word, response), word


def test_temperatures_in_the_texts_are_said_in_both_units():
    for celsius, fahrenheit in re.findall(r"(\d+) °C \((\d+) °F\)", TOML):
        assert round(int(celsius) * 9 / 5 + 32) == int(fahrenheit)
    assert len(re.findall(r"°C", TOML)) == len(re.findall(r"°F", TOML))


def test_least_urgent_priority_is_not_the_exception():
    """ISA-18.2 (from memory): few alarms of the highest priority, most of the lower ones."""
    high = [entry for entry in rationales().values() if entry.priority is Priority.HIGH]
    assert len(high) < len(rationales()) / 2


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda text: text.replace("[short_cycling]", "[short_cycle]"), "no known pattern: .'short_cycle'"),
        (
            lambda text: text[: text.index("[pressure_sensor_icing]")],
            "without an entry: .*'pressure_sensor_icing'",
        ),
        (
            lambda text: text.replace('priority = "high"', 'priority = "urgent"'),
            "overheating. .*urgent",
        ),
        (
            lambda text: text.replace("time_to_respond_h = 48", 'time_to_respond_h = "soon"'),
            "short_cycling. .*time_to_respond_h",
        ),
        (lambda text: text.replace("time_to_respond_h = 48", "time_to_respond = 48"), "short_cycling"),
        (lambda text: text.replace("always = [", "sometimes = ["), "shown with every alarm, found none"),
        (
            lambda text: re.sub(r'cautions = \[\n  "Frozen[^]]*\]', 'cautions = "careful"', text),
            "expected a list of texts",
        ),
    ],
)
def test_faulty_file_is_refused_with_the_place(change, message):
    faulty = change(TOML)
    assert faulty != TOML
    with pytest.raises(RationaleError, match=message):
        parse_rationales(faulty)


def test_document_names_every_state():
    assert [names(row[0]) for row in table("State")] == [[state.value] for state in AlarmState]


def test_document_names_every_action_and_where_it_is_allowed():
    rows = {names(row[0])[0]: row[1] for row in table("Action")}
    assert set(rows) | {Action.RAISE.value} == {action.value for action in Action}
    for action, states in LEGAL_FROM.items():
        said = sorted(names(rows[action.value])) or sorted(AlarmState)
        assert said == sorted(states), action


def test_document_gives_the_delays_and_priorities_of_the_rationale():
    said = {names(row[0])[0]: row[1:] for row in table("Pattern")}
    assert said == {
        pattern.value: [
            entry.priority.value,
            f"{entry.time_to_respond_h:g} h",
            f"{entry.on_delay_min:g} min",
            f"{entry.off_delay_min:g} min",
        ]
        for pattern, entry in rationales().items()
    }


def test_document_gives_the_limits_of_the_policy():
    policy = AlarmPolicy()
    expected = {}
    for field in dataclasses.fields(AlarmPolicy):
        value = getattr(policy, field.name)
        if isinstance(value, dt.timedelta):
            minutes = value.total_seconds() / 60
            expected[field.name] = f"{minutes:g} min" if minutes < 60 else f"{minutes / 60:g} h"
        elif isinstance(value, int):
            expected[field.name] = str(value)
    assert {names(row[0])[0]: row[1] for row in table("Setting")} == expected


def test_document_names_what_suppresses_what():
    for held_back, cause in AlarmPolicy().suppressed_while.items():
        assert re.search(rf"While `{cause.value}` stands on a unit,\s+its `{held_back.value}`", DOC)
