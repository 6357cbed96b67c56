"""Silence counts only while we could hear."""

from __future__ import annotations

from dewline.hearing import SETTLE_S, Hearing


def test_a_program_just_started_has_not_heard_everybody() -> None:
    hearing = Hearing(100.0)
    assert not hearing.steady(100.0)
    assert not hearing.steady(99.0 + SETTLE_S)
    assert hearing.steady(100.0 + SETTLE_S)


def test_a_lost_connection_starts_the_wait_again() -> None:
    hearing = Hearing(0.0)
    hearing.note(5 * SETTLE_S, connected=False)
    hearing.note(5 * SETTLE_S + 30.0, connected=True)
    assert not hearing.steady(6 * SETTLE_S - 1.0)
    assert hearing.steady(6 * SETTLE_S)


def test_a_connection_that_holds_changes_nothing() -> None:
    hearing = Hearing(0.0)
    for at_s in range(0, 4000, 30):
        hearing.note(at_s, connected=True)
    assert hearing.steady(SETTLE_S)
