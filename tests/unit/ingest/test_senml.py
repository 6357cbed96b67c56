"""Rules of RFC 8428 that its examples don't show; the examples are in tests/external/test_rfc8428.py."""

from __future__ import annotations

import pytest

from ingest.senml import Record, SenmlError, is_pack, resolve

NOW_S = 1_767_618_006.0


def test_base_fields_hold_from_their_record_on() -> None:
    pack = [
        {"n": "a", "v": 1},
        {"bn": "x/", "bu": "Cel", "bv": 20},
        {"n": "a", "v": 1},
        {"n": "b", "u": "K", "v": 2},
    ]
    assert resolve(pack, NOW_S) == [
        Record("a", None, NOW_S, True, 1.0),
        Record("x/a", "Cel", NOW_S, True, 21.0),
        Record("x/b", "K", NOW_S, True, 22.0),
    ]


@pytest.mark.parametrize(
    # RFC 8428 section 4.5.3: from 2**28 on a time is absolute, below it is relative to now.
    ("t", "time_s", "relative"),
    [(2**28, 2.0**28, False), (2**28 - 1, NOW_S + 2**28 - 1, True), (-60, NOW_S - 60, True)],
)
def test_relative_and_absolute_times(t: float, time_s: float, relative: bool) -> None:
    assert resolve([{"n": "a", "v": 1, "t": t}], NOW_S) == [Record("a", None, time_s, relative, 1.0)]


def test_newer_version_is_refused_as_a_whole() -> None:
    with pytest.raises(SenmlError, match="version 11 is above 10"):
        resolve([{"n": "a", "v": 1}, {"bver": 11, "n": "b", "v": 1}], NOW_S)


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        ({"v": 1}, "is empty"),
        ({"n": "-a", "v": 1}, "rules out"),
        ({"n": "a b", "v": 1}, "rules out"),
        ({"n": "a", "v": "1"}, "SenML v is '1', expected a number"),
        ({"n": "a", "v": True}, "SenML v is True, expected a number"),
        ({"n": "a", "v": 1, "t": 10**400}, "beyond the range"),
        ({"n": "a", "v": 1, "new_": 1}, "'new_' must be understood"),
        ({"n": 5, "v": 1}, "SenML n is 5, expected text"),
    ],
)
def test_fault_of_one_record(record: dict[str, object], reason: str) -> None:
    error, good = resolve([record, {"n": "b", "v": 2}], NOW_S)
    assert isinstance(error, SenmlError)
    assert reason in str(error)
    assert isinstance(good, Record)


def test_faulty_record_carries_its_base_fields() -> None:
    (error,) = resolve([{"bn": "x/", "bt": 1.7e9, "n": "?", "v": 1}], NOW_S)
    assert isinstance(error, SenmlError)
    assert error.record == {"bn": "x/", "bt": 1.7e9, "n": "?", "v": 1}


@pytest.mark.parametrize(
    "pack", [[], [1], [{}], [{"ts": 1, "hours": 1}], [{"n": "a", "hours": 3}], [{"n": "a"}, 4]]
)
def test_what_is_no_pack(pack: list[object]) -> None:
    assert not is_pack(pack)
