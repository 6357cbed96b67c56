"""The outbox: written once, in the caller's transaction; files whole; tries ever further apart."""

from __future__ import annotations

import re
from email.message import EmailMessage

import pytest
import sqlalchemy as sa

from alerts.outbox import LONGEST_BACK_OFF_S, NO_RECIPIENT, NO_SERVER, Outbox, back_off_s, file_name_of

NOW_MS = 1_768_392_000_000
TO = ("service@fleet.example",)


def mail(number: int = 1) -> EmailMessage:
    message = EmailMessage()
    message["Message-ID"] = f"<mail-{number}@fleet.example>"
    message["Subject"] = f"Mail {number}"
    message.set_content("Text")
    return message


@pytest.fixture
def outbox(database, tmp_path):
    return Outbox(database, tmp_path / "outbox")


def put(outbox, database, number=1, recipients=TO, now_ms=NOW_MS):
    with database.begin() as connection:
        return outbox.put(connection, mail(number), recipients=recipients, alarm_id="a", now_ms=now_ms)


def test_put_twice_writes_once(outbox, database):
    first = put(outbox, database)
    assert put(outbox, database, now_ms=NOW_MS + 5) is None
    assert outbox.recent() == [first]
    assert b"Subject: Mail 1" in outbox.eml(first.message_id)


def test_put_in_a_transaction_that_fails_leaves_nothing(outbox, database):
    def crash() -> None:
        with database.begin() as connection:
            outbox.put(connection, mail(), recipients=TO, alarm_id="a", now_ms=NOW_MS)
            raise RuntimeError("crash")

    with pytest.raises(RuntimeError, match="crash"):
        crash()
    assert outbox.recent() == []


def test_pending_is_oldest_first_and_leaves_out_sent_and_waiting_ones(outbox, database):
    for number in (3, 1, 2):
        put(outbox, database, number, now_ms=NOW_MS + number)
    outbox.mark_sent("<mail-1@fleet.example>", NOW_MS + 10)
    outbox.mark_failed("<mail-2@fleet.example>", "busy", NOW_MS + 10)
    assert [one.subject for one in outbox.pending(NOW_MS + 20)] == ["Mail 3"]
    later_ms = NOW_MS + 10 + int(back_off_s(1) * 1000)
    assert [one.subject for one in outbox.pending(later_ms)] == ["Mail 2", "Mail 3"]


def test_back_off_grows_to_an_hour_and_no_further():
    waits = [back_off_s(attempts) for attempts in range(1, 30)]
    assert waits == sorted(waits)
    assert waits[1] == 2 * waits[0]
    assert waits[-1] == LONGEST_BACK_OFF_S


def test_mail_without_recipient_waits_for_nobody_and_says_so(outbox, database):
    assert put(outbox, database, recipients=()).last_error == NO_RECIPIENT
    assert outbox.pending(NOW_MS + 10**9) == []


def test_no_server_is_noted_and_the_mail_still_goes_once_there_is_one(outbox, database):
    put(outbox, database)
    assert outbox.mark_no_server(NOW_MS) == 1
    assert outbox.mark_no_server(NOW_MS) == 0
    (waiting,) = outbox.pending(NOW_MS)
    assert waiting.last_error == NO_SERVER
    outbox.mark_sent(waiting.message_id, NOW_MS)
    assert outbox.get(waiting.message_id).last_error is None


def test_mark_failed_of_an_unknown_mail(outbox):
    with pytest.raises(KeyError, match="no mail '<x@y>' in the outbox"):
        outbox.mark_failed("<x@y>", "busy", NOW_MS)


def test_file_is_the_mail_byte_for_byte_with_nothing_left_beside_it(outbox, database, tmp_path):
    written = put(outbox, database)
    path = outbox.write_file(written)
    assert path.read_bytes() == outbox.eml(written.message_id)
    assert list((tmp_path / "outbox").iterdir()) == [path]


@pytest.mark.parametrize("odd", ["../../etc/passwd", "CON", "a\x00b", "." * 300, "x" * 500, 'a"b<c>|d', "ü"])
def test_file_name_of_an_odd_message_id_is_safe(outbox, database, odd):
    row = put(outbox, database)
    names = {
        file_name_of(row.__class__(**{**vars(row), "message_id": f"<{odd}{end}@h>"}))
        for end in ("", "/", "?")
    }
    assert len(names) == 3
    for name in names:
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*\.eml", name)
        assert len(name) < 160


def test_files_that_a_crash_left_out_are_written_later(outbox, database, tmp_path):
    outbox.write_file(put(outbox, database, 1))
    put(outbox, database, 2)
    assert outbox.write_missing_files() == 1
    assert outbox.write_missing_files() == 0
    assert len(list((tmp_path / "outbox").glob("*.eml"))) == 2


def test_outbox_without_a_folder_keeps_rows_alone(database):
    outbox = Outbox(database)
    assert outbox.write_file(put(outbox, database)) is None
    assert outbox.write_missing_files() == 0


def test_reading_the_list_does_not_fetch_the_bytes(outbox, database):
    put(outbox, database)
    asked = []
    sa.event.listen(database, "before_cursor_execute", lambda *event: asked.append(event[2]))
    outbox.recent()
    assert asked
    assert "eml" not in asked[0]
