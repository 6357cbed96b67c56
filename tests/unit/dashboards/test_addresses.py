"""Unit names in addresses."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from dashboards.addresses import name_of, segment, unit_path
from tests.unit.dashboards.invented import HOSTILE


@given(st.text(st.characters(exclude_categories=("Cs",))))
def test_segment_round_trip_and_alphabet(name: str) -> None:
    written = segment(name)
    assert name_of(written) == name
    # RFC 3986 section 2.3: unreserved characters need no escaping anywhere in a URL.
    assert all(char.isascii() and (char.isalnum() or char in "-_~") for char in written)


@given(st.text())
def test_name_of_takes_anything(path_segment: str) -> None:
    assert isinstance(name_of(path_segment.encode(errors="replace").decode()), str)


def test_usual_names_stay_readable() -> None:
    assert unit_path("rm-07") == "/units/rm-07"
    assert ".." not in unit_path("..")
    assert name_of(segment(HOSTILE)) == HOSTILE
