"""Short words for people."""

from __future__ import annotations

import pytest

from dashboards.words import bytes_words


@pytest.mark.parametrize(
    ("payload", "shown"),
    [
        (b"garbage", "garbage"),
        (b"caf\xc3\xa9", "caf\u00e9"),
        # Neither byte begins a UTF-8 sequence, RFC 3629 section 1.
        (b"\xff\xc0 ok", "\\xff\\xc0 ok"),
    ],
)
def test_bytes_are_shown_as_text_and_none_is_lost(payload: bytes, shown: str) -> None:
    assert bytes_words(payload) == shown
