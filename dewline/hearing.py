"""Whether we would hear a unit if it spoke: our own silence must not be taken for the fleet's. Pure."""

from __future__ import annotations

SETTLE_S = 900.0
"""A broker hands out what it kept for us within minutes of a new connection; chosen."""


class Hearing:
    """Told from time to time whether the listener is connected; the clock is an argument.

    Parameters
    ----------
    at_s : float
        When the program started, on a clock that never steps back. [s]
    """

    def __init__(self, at_s: float) -> None:
        self._deaf_s = at_s

    def note(self, at_s: float, *, connected: bool) -> None:
        """Take in how the connection stands."""
        if not connected:
            self._deaf_s = at_s

    def steady(self, at_s: float) -> bool:
        """Whether the connection has held for so long that what was kept for us has come."""
        return at_s - self._deaf_s >= SETTLE_S
