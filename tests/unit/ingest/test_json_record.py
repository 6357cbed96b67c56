"""Records as JSON text and back, numbers that JSON does not know included (RFC 8259, section 6)."""

from __future__ import annotations

import json
import math

import msgspec
import pytest

from ingest import json_record


class Inner(msgspec.Struct, frozen=True):
    value: float


class Outer(msgspec.Struct, frozen=True):
    name: str
    minutes: float
    least_min: float | None
    inner: Inner | None
    more: tuple[Inner, ...] = ()


def not_json(name: str) -> float:
    raise AssertionError(f"{name} is no JSON")


@pytest.mark.parametrize("number", [0.0, -2.5, math.inf, -math.inf])
def test_numbers_come_back_and_the_text_is_json(number: float) -> None:
    record = Outer("Infinity", number, number, Inner(number), (Inner(1.0), Inner(number)))
    text = json_record.encode(record)
    json.loads(text, parse_constant=not_json)
    assert json_record.decode(text, Outer) == record


def test_not_known_comes_back_beside_an_infinity() -> None:
    text = json_record.encode(Outer("x", math.nan, None, Inner(math.nan), (Inner(math.inf),)))
    json.loads(text, parse_constant=not_json)
    back = json_record.decode(text, Outer)
    assert math.isnan(back.minutes)
    assert back.least_min is None
    assert back.inner is not None
    assert math.isnan(back.inner.value)
    assert back.more[0].value == math.inf


def test_a_word_where_a_number_is_due_is_refused() -> None:
    with pytest.raises(msgspec.ValidationError):
        json_record.decode('{"value":"much"}', Inner)
