"""The warm-up forecast in words."""

from __future__ import annotations

import msgspec
import pytest

from dashboards import warming
from dashboards.display import System
from models.records import WarmUpForecast

FORECAST = WarmUpForecast(
    level_low_c=71.4,
    level_c=80.0,
    level_high_c=90.2,
    to_hot_low_min=9.2,
    to_hot_min=12.0,
    to_hot_high_min=17.6,
)


def test_the_level_in_both_systems() -> None:
    assert warming.heading(FORECAST, System.SI) == "80\u202f°C"
    # 80 degC is 176 degF.
    assert warming.heading(FORECAST, System.US) == "176\u202f°F"


def test_the_range_and_the_time() -> None:
    assert (
        warming.heading_range(FORECAST, System.SI)
        == "71 to 90\u202f°C in nine runs of ten; hot after 9 to 18\u202fmin"
    )


@pytest.mark.parametrize(
    ("soonest", "latest", "words"),
    [
        (None, None, "not hot within the hour"),
        (22.0, None, "hot after 22\u202fmin at the soonest, perhaps not within the hour"),
        (11.6, 12.4, "hot after 12\u202fmin"),
    ],
)
def test_what_the_hour_leaves_open(soonest: float | None, latest: float | None, words: str) -> None:
    forecast = msgspec.structs.replace(FORECAST, to_hot_low_min=soonest, to_hot_high_min=latest)
    assert warming.hot_when(forecast) == words
