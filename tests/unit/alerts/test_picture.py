"""The chart: drawn for either unit system, from full, tiny or broken signals, and never by pyplot."""

from __future__ import annotations

import datetime as dt
import io
import sys
from dataclasses import replace

import msgspec
import numpy as np
import pytest
from PIL import Image

from alerts.picture import draw, window
from ingest.profile import UnitProfile
from ingest.quality import Quality
from models.records import Pattern
from tests.unit.alerts.conftest import NOON, make_finding, make_trace

PROFILE = UnitProfile(unit_id="RM-07", tz="America/Chicago")


def ms(at: dt.datetime) -> int:
    return int(at.timestamp() * 1000)


def trace_for(pattern, step_s=60):
    start_at, end_at = window(make_finding(pattern), NOON + dt.timedelta(hours=1))
    return make_trace("RM-07", ms(start_at), ms(end_at), step_s=step_s)


def pixels(png: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"), dtype=np.int64)


@pytest.mark.parametrize("pattern", list(Pattern))
def test_picture_is_a_png_with_ink_in_several_colours(pattern):
    picture = draw(make_finding(pattern), trace_for(pattern), PROFILE, "us")
    shown = pixels(picture.png)
    assert shown.shape[1] >= 1000, "sharp on a phone with a dense screen"
    assert len(picture.png) < 200_000
    red_less_blue = shown[..., 0] - shown[..., 2]
    assert (red_less_blue > 100).sum() > 200
    assert (red_less_blue < -80).sum() > 200


def test_alt_text_says_what_the_chart_shows_in_the_readers_units():
    water = draw(make_finding(), trace_for(Pattern.SHORT_CYCLING), PROFILE, "us")
    assert "over 10 days, at the end 2.4 fl oz. Runs marked: 40, of which 40 never got hot" in water.alt
    run = draw(
        make_finding(Pattern.NEVER_REACHING_TEMPERATURE),
        trace_for(Pattern.NEVER_REACHING_TEMPERATURE),
        PROFILE,
        "si",
    )
    assert "against 65 °C required" in run.alt
    assert "5 kPa to 980 kPa, partly not to be trusted" in run.alt


def test_week_of_readings_every_second_is_thinned_before_drawing():
    trace = trace_for(Pattern.SHORT_CYCLING, step_s=10)
    assert len(trace.readings) > 80_000
    assert draw(make_finding(), trace, PROFILE, "si") is not None


@pytest.mark.parametrize("pattern", list(Pattern))
def test_signals_that_are_all_missing_still_draw(pattern):
    trace = trace_for(pattern)
    nan = np.full(len(trace.readings), np.nan)
    empty = replace(
        trace,
        readings=replace(trace.readings, discharge_temp_c=nan, pressure_kpa=nan),
        required_temp_c=nan,
        water_g=nan,
        water_low_g=nan,
        water_high_g=nan,
    )
    assert "not known" in draw(make_finding(pattern), empty, PROFILE, "us").alt


@pytest.mark.parametrize("rows", [0, 1])
def test_too_few_signals_draw_nothing(rows):
    trace = trace_for(Pattern.SHORT_CYCLING)
    short = replace(trace, readings=trace.readings[:rows])
    assert draw(make_finding(), short, PROFILE, "us") is None


def test_window_of_a_long_standing_run_is_bounded():
    old_start = make_finding(Pattern.NEVER_REACHING_TEMPERATURE, start_at=NOON - dt.timedelta(days=9))
    for finding in (
        old_start,
        replace_run_start(old_start, NOON - dt.timedelta(days=9)),
        replace_run_start(old_start, None),
    ):
        start_at, end_at = window(finding, NOON + dt.timedelta(hours=1))
        assert start_at < finding.first_flagged_at < end_at
        assert end_at - start_at < dt.timedelta(hours=13)


def test_water_is_shown_up_to_now_and_the_flag_only_where_it_lies_in_view():
    flagged_long_ago = make_finding(flagged_at=NOON - dt.timedelta(days=40))
    start_at, end_at = window(flagged_long_ago, NOON)
    assert (start_at, end_at) == (NOON - dt.timedelta(days=10), NOON)
    picture = draw(flagged_long_ago, make_trace("RM-07", ms(start_at), ms(end_at)), PROFILE, "us")
    assert "dotted" not in picture.caption
    assert (
        "dotted"
        in draw(make_finding(), make_trace("RM-07", ms(start_at), ms(end_at) + 60_000), PROFILE, "us").caption
    )


def test_window_of_a_finding_that_names_a_run_after_its_flag_shows_that_run():
    later = replace_run_start(make_finding(Pattern.NEVER_REACHING_TEMPERATURE), NOON + dt.timedelta(days=3))
    start_at, end_at = window(later, NOON + dt.timedelta(days=3, minutes=30))
    assert start_at < later.run_start_at < end_at <= NOON + dt.timedelta(days=3, minutes=30)


def replace_run_start(finding, at):
    return msgspec.structs.replace(finding, run_start_at=at)


def test_drawing_leaves_pyplot_alone():
    sys.modules.pop("matplotlib.pyplot", None)
    draw(make_finding(), trace_for(Pattern.SHORT_CYCLING), PROFILE, "us")
    assert "matplotlib.pyplot" not in sys.modules


@pytest.mark.parametrize(
    ("signals", "drawn"), [(("ambient_rh_pct",), False), (("ambient_rh_pct", "pressure_kpa"), True)]
)
def test_a_failed_sensor_that_the_picture_does_not_show_has_none(signals, drawn):
    fault = msgspec.structs.replace(make_finding(Pattern.SENSOR_FAULT), signals=signals)
    assert (draw(fault, trace_for(Pattern.SENSOR_FAULT), PROFILE, "us") is not None) == drawn


def test_old_messages_are_not_drawn_as_if_they_were_new():
    trace = trace_for(Pattern.STALE_TELEMETRY)
    old = replace(trace, quality=np.full(len(trace.readings), int(Quality.REPEATED)))
    plain, marked = (draw(make_finding(Pattern.STALE_TELEMETRY), one, PROFILE, "si") for one in (trace, old))
    assert "old messages sent again" in marked.alt
    assert "old messages" not in plain.alt
    blue_less_red = [
        (shown[..., 2] - shown[..., 0] > 100).sum() for shown in map(pixels, (plain.png, marked.png))
    ]
    assert blue_less_red[1] < blue_less_red[0]
