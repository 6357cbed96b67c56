"""One cause is told once: what a finding explains does not open, or closes when the cause is recognised."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace

import pytest

from models import judging
from models.artefact import PatternModels, load_models
from models.patterns import BY_RULE, LEARNT, NOVEL, suppression
from models.patterns.suppression import DRAWN_FROM, SUPPRESSED_BY, explained, explains, explanation
from models.patterns.watch import Moment, Watch, fact, open_finding
from models.records import Finding, Pattern
from tests.unit.models.histories import ICING_UNIT, fold, simulated
from tests.unit.models.patterns.moments import after, run_ended

CAUSE, EFFECT, APART = (
    Pattern.PRESSURE_SENSOR_ICING,
    Pattern.NEVER_REACHING_TEMPERATURE,
    Pattern.SHORT_CYCLING,
)


@pytest.fixture(autouse=True)
def table(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three patterns of which the first explains the second; not what the program holds true of them."""
    monkeypatch.setattr(suppression, "SUPPRESSED_BY", {CAUSE: (), EFFECT: (CAUSE,), APART: ()})
    monkeypatch.setattr(suppression, "DRAWN_FROM", {EFFECT: frozenset({"pressure_kpa", "hours"})})


def finding(pattern: Pattern, start_min: float, flagged_min: float, *signals: str) -> Finding:
    return open_finding(run_ended(flagged_min), pattern, after(start_min), 0.9, (), None, signals)


def test_nothing_opens_while_what_explains_it_stands() -> None:
    cause, effect = finding(CAUSE, 0.0, 10.0), finding(EFFECT, 5.0, 20.0)
    assert explanation(effect, [Watch(), Watch(finding=cause)]) == cause
    assert explanation(cause, [Watch(finding=effect)]) is None
    assert explanation(finding(APART, 5.0, 20.0), [Watch(finding=cause)]) is None


@pytest.mark.parametrize(
    ("wrong", "about", "is_explained"),
    [
        (("pressure_kpa",), (), True),
        (("discharge_temp_c", "pressure_kpa"), (), True),
        (("discharge_temp_c",), (), False),
        ((), (), True),
        (("discharge_temp_c",), ("discharge_temp_c",), True),
        (("pressure_kpa",), ("discharge_temp_c",), False),
    ],
)
def test_a_wrong_sensor_explains_only_what_is_drawn_from_it(
    wrong: tuple[str, ...], about: tuple[str, ...], is_explained: bool
) -> None:
    assert explains(finding(CAUSE, 0.0, 10.0, *wrong), finding(EFFECT, 5.0, 20.0, *about)) is is_explained


@pytest.mark.parametrize("start_min", [-59.0, 0.0, 8.0])
def test_what_began_with_the_cause_is_closed_as_explained_when_the_cause_is_recognised(
    start_min: float,
) -> None:
    standing = finding(EFFECT, start_min, 9.0)
    watch, (closed,) = explained(Watch(finding=standing), finding(CAUSE, 0.0, 10.0))
    assert watch.finding is None
    assert closed.finding_id == standing.finding_id
    assert closed.first_flagged_at == standing.first_flagged_at
    assert (closed.end_at, closed.explained_by) == (after(10.0), CAUSE)


def test_what_began_well_before_the_cause_stands_on() -> None:
    standing = Watch(finding=finding(EFFECT, -61.0, -50.0))
    assert explained(standing, finding(CAUSE, 0.0, 10.0)) == (standing, [])


def test_nothing_standing_is_nothing_to_explain() -> None:
    assert explained(Watch(), finding(CAUSE, 0.0, 10.0)) == (Watch(), [])


class TestInTheEngine:
    """How judgements are taken in, whoever made them."""

    @staticmethod
    def taken(
        pattern: Pattern, judged: Watch, found: list[Finding], watches: dict[Pattern, Watch]
    ) -> list[Finding]:
        return list(judging.take_in(pattern, judged, found, watches))

    def test_an_explained_finding_leaves_no_trace(self) -> None:
        before = {
            EFFECT: Watch(last_true_at=after(-90.0)),
            CAUSE: Watch(finding=finding(CAUSE, 0.0, 10.0)),
        }
        watches, effect = dict(before), finding(EFFECT, 5.0, 20.0)
        assert self.taken(EFFECT, Watch(finding=effect), [effect], watches) == []
        assert watches == before

    def test_it_opens_when_the_cause_has_gone_and_it_is_still_so(self) -> None:
        watches, effect = {EFFECT: Watch(), CAUSE: Watch()}, finding(EFFECT, 5.0, 40.0)
        assert self.taken(EFFECT, Watch(finding=effect), [effect], watches) == [effect]
        assert watches[EFFECT].finding == effect

    def test_what_stands_is_revised_and_closed_under_its_cause_too(self) -> None:
        effect = finding(EFFECT, -200.0, -190.0)
        watches = {EFFECT: Watch(finding=effect), CAUSE: Watch(finding=finding(CAUSE, 0.0, 10.0))}
        revised = Watch(finding=effect, last_true_at=after(20.0))
        assert self.taken(EFFECT, revised, [effect], watches) == [effect]
        assert self.taken(EFFECT, Watch(last_true_at=after(30.0)), [effect], watches) == [effect]
        assert watches[EFFECT] == Watch(last_true_at=after(30.0))

    def test_a_cause_that_opens_closes_what_it_explains_and_leaves_the_rest(self) -> None:
        effect, apart, cause = finding(EFFECT, 1.0, 5.0), finding(APART, 1.0, 5.0), finding(CAUSE, 0.0, 10.0)
        watches = {CAUSE: Watch(), EFFECT: Watch(finding=effect), APART: Watch(finding=apart)}
        opened, closed = self.taken(CAUSE, Watch(finding=cause), [cause], watches)
        assert opened == cause
        assert (closed.finding_id, closed.explained_by) == (effect.finding_id, CAUSE)
        assert watches[EFFECT].finding is None
        assert watches[APART].finding == apart

    def test_a_finding_may_end_while_the_next_one_is_explained(self) -> None:
        old, new = finding(EFFECT, -300.0, -290.0), finding(EFFECT, 5.0, 20.0)
        ended = open_finding(run_ended(-290.0), EFFECT, after(-300.0), 0.9, (), None)
        watches = {EFFECT: Watch(finding=old), CAUSE: Watch(finding=finding(CAUSE, 0.0, 10.0))}
        assert self.taken(EFFECT, Watch(finding=new), [ended, new], watches) == [ended]
        assert watches[EFFECT].finding is None

    def test_one_reading_that_shows_both_opens_the_cause_alone(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def judge(pattern: Pattern) -> SimpleNamespace:
            def opens(watch: Watch, moment: Moment) -> tuple[Watch, list[Finding]]:
                opened = open_finding(moment, pattern, moment.at, 1.0, (), None)
                return Watch(finding=opened), [opened]

            return SimpleNamespace(judge=opens)

        monkeypatch.setattr(judging, "LEARNT", {})
        monkeypatch.setattr(
            judging, "BY_RULE", {pattern: judge(pattern) for pattern in (EFFECT, CAUSE, APART)}
        )
        watches = {pattern: Watch() for pattern in (EFFECT, CAUSE, APART)}
        found = []
        for pattern in (CAUSE, EFFECT, APART):
            judged = judging.ask(pattern, watches[pattern], run_ended(1.0), 1.0, engine_models())
            found += judging.take_in(pattern, *judged, watches)
        assert [one.pattern for one in found] == [CAUSE, APART]


def engine_models() -> PatternModels:
    return PatternModels(of={}, forecast=load_models().forecast)


def test_every_pattern_is_in_the_tables() -> None:
    assert set(SUPPRESSED_BY) == set(LEARNT) | set(NOVEL) | set(BY_RULE) == set(Pattern)
    assert set(DRAWN_FROM) == set(Pattern)


def test_nothing_explains_itself_and_causes_are_judged_first() -> None:
    order = list(SUPPRESSED_BY)
    for effect, causes in SUPPRESSED_BY.items():
        assert effect not in causes
        for cause in causes:
            mutual = effect in SUPPRESSED_BY[cause]
            assert mutual or order.index(cause) < order.index(effect), (cause, effect)


def test_the_hour_before_is_an_hour() -> None:
    assert dt.timedelta(hours=1) == suppression.EXPLAINS_BACK


class TestAsThePatternsAre:
    """What the program's own tables come to, on histories."""

    @pytest.fixture(autouse=True)
    def as_they_are(self, table: None, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(suppression, "SUPPRESSED_BY", SUPPRESSED_BY)
        monkeypatch.setattr(suppression, "DRAWN_FROM", DRAWN_FROM)

    @staticmethod
    def sensor_fault(*names: str) -> Finding:
        facts = tuple(fact(name, 1.0, "") for name in names)
        signals = tuple("pressure_kpa" if "kpa" in name else "discharge_temp_c" for name in names)
        return open_finding(run_ended(9.0), Pattern.SENSOR_FAULT, after(0.0), 1.0, facts, None, signals)

    @pytest.mark.parametrize(
        ("names", "is_explained"),
        [
            (("pressure_kpa_stuck_min",), True),
            (("pressure_kpa_zero_off_min",), True),
            (("pressure_kpa_charged_min",), True),
            (("pressure_kpa_out_of_range_min",), False),
            (("pressure_kpa_error_code_min",), False),
            (("discharge_temp_c_stuck_min",), False),
            (("discharge_temp_c_stuck_min", "pressure_kpa_stuck_min"), False),
        ],
    )
    def test_ice_holds_a_reading_fast_but_breaks_no_circuit(
        self, names: tuple[str, ...], is_explained: bool
    ) -> None:
        iced = finding(Pattern.PRESSURE_SENSOR_ICING, 0.0, 10.0, "pressure_kpa")
        assert explains(iced, self.sensor_fault(*names)) is is_explained

    @pytest.mark.parametrize(
        ("name", "silenced"),
        [
            ("pressure_kpa_stuck_min", {Pattern.PRESSURE_SENSOR_ICING}),
            (
                "discharge_temp_c_stuck_min",
                {Pattern.NEVER_REACHING_TEMPERATURE, Pattern.SHORT_CYCLING},
            ),
        ],
    )
    def test_a_wrong_sensor_silences_what_is_drawn_from_it(self, name: str, silenced: set[Pattern]) -> None:
        wrong = self.sensor_fault(name)
        assert {one for one in LEARNT if explains(wrong, finding(one, 0.0, 9.0))} == silenced

    def test_stale_telemetry_silences_everything_but_silence(self) -> None:
        stale = finding(Pattern.STALE_TELEMETRY, 0.0, 10.0)
        others = set(Pattern) - {Pattern.STALE_TELEMETRY, Pattern.SILENT_UNIT}
        assert {pattern for pattern in Pattern if explains(stale, finding(pattern, 0.0, 9.0))} == others

    def test_an_iced_sensor_is_no_failed_one(self) -> None:
        iced = simulated(ICING_UNIT)
        found = {one.pattern for one in fold(iced.readings, profile=iced.profile).findings}
        assert Pattern.PRESSURE_SENSOR_ICING in found
        assert Pattern.SENSOR_FAULT not in found
