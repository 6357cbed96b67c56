"""The durable outbox: mails as rows of the operations database, and as `.eml` files beside it.

A mail row is written in the transaction that writes its alarm, so neither exists without the other, and a
Message-ID that is already there changes nothing. The rows are the truth; the files are for people.
"""

from __future__ import annotations

import datetime as dt
import email.policy
import hashlib
import logging
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa

from ingest.database import outbox

log = logging.getLogger(__name__)

NO_SERVER = "not sent: no mail server set"
NO_RECIPIENT = "not sent: no recipient set"
_COLUMNS = tuple(column for column in outbox.c if column.name != "eml")
WIRE = email.policy.SMTP.clone(max_line_length=250)
"""Headers on one line up to here: folded at 78, a subject may start on its second line, behind a space."""
FIRST_BACK_OFF_S = 30.0
LONGEST_BACK_OFF_S = 3600.0


@dataclass(frozen=True, kw_only=True)
class OutboxMail:
    """One mail as it lies in the outbox, without its bytes: `Outbox.eml` has those."""

    message_id: str
    alarm_id: str | None
    created_at_ms: int
    recipients: tuple[str, ...]
    subject: str
    sent_at_ms: int | None
    attempts: int
    next_attempt_at_ms: int | None
    last_error: str | None


def back_off_s(attempts: int) -> float:
    """Wait before the next try after so many failed ones: doubling, up to an hour. [s]"""
    return min(FIRST_BACK_OFF_S * 2.0 ** max(attempts - 1, 0), LONGEST_BACK_OFF_S)


def file_name_of(mail: OutboxMail) -> str:
    """A safe name that sorts by time; the digest keeps apart what cleaning makes alike."""
    made_at = dt.datetime.fromtimestamp(mail.created_at_ms / 1000, dt.UTC)
    words = re.sub(r"[^A-Za-z0-9._-]+", "-", mail.message_id.strip("<>").partition("@")[0])
    digest = hashlib.blake2b(mail.message_id.encode(), digest_size=4).hexdigest()
    return f"{made_at:%Y%m%dT%H%M%SZ}_{words.strip('.-')[:96]}_{digest}.eml"


class Outbox:
    """Mails waiting to be sent, and those that were."""

    def __init__(self, engine: sa.Engine, folder: Path | None = None) -> None:
        self._engine = engine
        self._folder = folder

    def put(
        self,
        connection: sa.Connection,
        message: EmailMessage,
        *,
        recipients: Sequence[str],
        alarm_id: str | None,
        now_ms: int,
    ) -> OutboxMail | None:
        """Adds a mail inside the caller's transaction; None when its Message-ID is already there.

        Call `write_file` with the result once the transaction is through.
        """
        message_id = str(message["Message-ID"])
        if connection.execute(
            sa.select(outbox.c.message_id).where(outbox.c.message_id == message_id)
        ).first():
            return None
        mail = OutboxMail(
            message_id=message_id,
            alarm_id=alarm_id,
            created_at_ms=now_ms,
            recipients=tuple(recipients),
            subject=str(message["Subject"]),
            sent_at_ms=None,
            attempts=0,
            next_attempt_at_ms=now_ms,
            last_error=None if recipients else NO_RECIPIENT,
        )
        eml = message.as_bytes(policy=WIRE)
        connection.execute(sa.insert(outbox).values(eml=eml, **_row_of(mail)))
        return mail

    def write_file(self, mail: OutboxMail) -> Path | None:
        """The mail as a file in the folder, whole or not at all."""
        eml = self.eml(mail.message_id)
        if self._folder is None or eml is None:
            return None
        self._folder.mkdir(parents=True, exist_ok=True)
        target = self._folder / file_name_of(mail)
        partial = target.with_suffix(".part")
        partial.write_bytes(eml)
        os.replace(partial, target)
        return target

    def write_missing_files(self) -> int:
        """Files of mails that a crash kept from being written; returns how many."""
        if self._folder is None:
            return 0
        missing = [mail for mail in self.recent(None) if not (self._folder / file_name_of(mail)).exists()]
        for mail in missing:
            self.write_file(mail)
        return len(missing)

    def pending(self, now_ms: int, limit: int = 100) -> list[OutboxMail]:
        """Mails to try now, oldest first: not sent, somebody to send to, back-off over."""
        query = (
            sa.select(*_COLUMNS)
            .where(outbox.c.sent_at_ms.is_(None), outbox.c.next_attempt_at_ms <= now_ms)
            .where(outbox.c.recipients != "[]")
            .order_by(outbox.c.created_at_ms, outbox.c.message_id)
            .limit(limit)
        )
        return self._mails(query)

    def recent(self, limit: int | None = 200) -> list[OutboxMail]:
        """Newest first, sent or not; None: all of them."""
        query = sa.select(*_COLUMNS).order_by(outbox.c.created_at_ms.desc(), outbox.c.message_id).limit(limit)
        return self._mails(query)

    def get(self, message_id: str) -> OutboxMail | None:
        """One mail, or None."""
        found = self._mails(sa.select(*_COLUMNS).where(outbox.c.message_id == message_id))
        return found[0] if found else None

    def eml(self, message_id: str) -> bytes | None:
        """The mail's bytes as they are or will be sent (RFC 5322), or None."""
        query = sa.select(outbox.c.eml).where(outbox.c.message_id == message_id)
        with self._engine.connect() as connection:
            found: bytes | None = connection.execute(query).scalar()
        return found

    def mark_sent(self, message_id: str, now_ms: int, note: str | None = None) -> None:
        """The server has taken it; `note` says for whom it has not."""
        self._update(message_id, sent_at_ms=now_ms, next_attempt_at_ms=None, last_error=note)

    def mark_failed(self, message_id: str, error: str, now_ms: int) -> None:
        """The server has not taken it; the next try waits longer each time."""
        mail = self.get(message_id)
        if mail is None:
            raise KeyError(f"no mail {message_id!r} in the outbox")
        attempts = mail.attempts + 1
        next_ms = now_ms + int(back_off_s(attempts) * 1000)
        self._update(message_id, attempts=attempts, next_attempt_at_ms=next_ms, last_error=error)

    def narrow(self, message_id: str, remaining: Sequence[str]) -> None:
        """Only the remaining recipients are tried from now on."""
        self._update(message_id, recipients=msgspec.json.encode(list(remaining)).decode())

    def mark_no_server(self, now_ms: int) -> int:
        """Says on every waiting mail why it stays; returns how many. They go out once a server is set."""
        waiting = sa.and_(outbox.c.sent_at_ms.is_(None), outbox.c.last_error.is_(None))
        with self._engine.begin() as connection:
            done = connection.execute(
                sa.update(outbox)
                .where(waiting, outbox.c.created_at_ms <= now_ms)
                .values(last_error=NO_SERVER)
            )
            return done.rowcount

    def _update(self, message_id: str, **values: Any) -> None:
        with self._engine.begin() as connection:
            connection.execute(sa.update(outbox).where(outbox.c.message_id == message_id).values(**values))

    def _mails(self, query: sa.Select[Any]) -> list[OutboxMail]:
        with self._engine.connect() as connection:
            return [_mail_of(row) for row in connection.execute(query).mappings()]


def _row_of(mail: OutboxMail) -> dict[str, Any]:
    row = {name: getattr(mail, name) for name in mail.__dataclass_fields__}
    return {**row, "recipients": msgspec.json.encode(mail.recipients).decode()}


def _mail_of(row: sa.RowMapping) -> OutboxMail:
    recipients = msgspec.json.decode(row["recipients"], type=tuple[str, ...])
    return OutboxMail(**{**row, "recipients": recipients})
