"""Every flag that a reading can carry is explained, with what to do about it, and can be counted or seen."""

from __future__ import annotations

from pathlib import Path

import pytest

from dashboards.doubtful import of_last_day
from ingest.quality import Quality
from models import clocks, doubts
from tests.unit.dashboards.invented import NOW, status

PAGE = Path(__file__).parents[2] / "docs" / "quality.md"
FLAGS = [flag for flag in Quality if flag]


@pytest.mark.parametrize("flag", FLAGS, ids=lambda flag: flag.name)
def test_every_flag_has_a_row_with_its_meaning_and_what_to_do(flag: Quality) -> None:
    flags = PAGE.read_text(encoding="utf-8").partition("## Kinds of hostile input")[0]
    rows = [line for line in flags.splitlines() if f"`{flag.name}`" in line]
    assert len(rows) == 1
    cells = [cell.strip() for cell in rows[0].strip("|").split("|")]
    assert len(cells) == 4
    assert all(cells)


def test_every_kind_of_doubt_has_its_words() -> None:
    everything = status(1, NOW, doubtful=dict.fromkeys(doubts.NAMES, 2))
    assert len(of_last_day(everything)) == len(doubts.NAMES)
    assert clocks.NAME in doubts.NAMES


def test_the_page_shows_the_cautions() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for caution in ("second gauge", "relieve", "lock out", "local codes", "qualified technician"):
        assert caution in page
