"""Unit names as safe URL path segments and back. Pure.

A unit may be called anything that arrives on the wire, slashes, quotes and dots included; browsers and
proxies fold `..` and `%2F` before a server sees them, so every byte outside letters, digits, `-` and `_`
is written as `~XX`.
"""

from __future__ import annotations

import re

_PLAIN = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")
_ESCAPE = re.compile(rb"~([0-9A-Fa-f]{2})")


def segment(name: str) -> str:
    """Path segment of a name; usual names come out unchanged."""
    return "".join(chr(byte) if byte in _PLAIN else f"~{byte:02X}" for byte in name.encode())


def name_of(path_segment: str) -> str:
    """Name behind a path segment; bytes that are no UTF-8 become replacement characters."""
    raw = _ESCAPE.sub(lambda found: bytes([int(found[1], 16)]), path_segment.encode())
    return raw.decode(errors="replace")


def unit_path(unit_id: str) -> str:
    """Address of a unit's page."""
    return f"/units/{segment(unit_id)}"


def runs_csv_path(unit_id: str, start_ms: int, end_ms: int) -> str:
    """Address of a unit's runs in a span as a CSV file."""
    return f"/runs/{segment(unit_id)}.csv?start_ms={start_ms}&end_ms={end_ms}"
