from __future__ import annotations

from pathlib import Path

from dewline.late import Notes, leave_note


def test_note_counts_once_and_goes_when_all_its_units_are_done(tmp_path: Path) -> None:
    leave_note(tmp_path, {"a": 200, "b": 300})
    leave_note(tmp_path, {"a": 100})
    notes = Notes(tmp_path)
    assert sorted(notes.read()) == ["a", "b"]
    assert notes.oldest_ms("a") == 100
    notes.done("a", 100)
    assert notes.oldest_ms("a") is None
    assert notes.read() == ["b"]
    notes.done("b", 300)
    assert not list((tmp_path / "imported").iterdir())


def test_note_survives_a_crash_before_its_units_are_done(tmp_path: Path) -> None:
    leave_note(tmp_path, {"a": 100})
    before = Notes(tmp_path)
    before.read()
    assert before.oldest_ms("a") == 100
    assert Notes(tmp_path).read() == ["a"]


def test_note_stays_until_the_folding_has_been_done(tmp_path: Path) -> None:
    leave_note(tmp_path, {"a": 200})
    notes = Notes(tmp_path)
    notes.read()
    assert notes.oldest_ms("a") == 200
    leave_note(tmp_path, {"a": 100})
    notes.read()
    notes.done("a", 200)
    assert notes.oldest_ms("a") == 100
    assert notes.read() == ["a"]


def test_nothing_noted(tmp_path: Path) -> None:
    assert Notes(tmp_path).read() == []
