"""Sends what lies in the outbox by SMTP: at least once, each mail with the Message-ID it was written with.

A crash between the server's yes and the note of it here sends a mail again; its stable Message-ID lets
mail programs show it once. Encryption asked for is never given up silently.
"""

from __future__ import annotations

import datetime as dt
import logging
import smtplib
import ssl
from collections.abc import Callable

from alerts.outbox import Outbox, OutboxMail
from alerts.routing import MailSettings

log = logging.getLogger(__name__)

TEMPORARY = range(400, 500)
"""SMTP reply codes that ask to try again later (RFC 5321, 4.2.1)."""


class Mailer:
    """Drains an outbox into a mail server."""

    def __init__(self, outbox: Outbox, settings: MailSettings, clock: Callable[[], dt.datetime]) -> None:
        self._outbox = outbox
        self._settings = settings
        self._clock = clock

    def drain(self) -> int:
        """Tries every mail that is due over one connection; returns how many the server took.

        Faults of server or network are written to the mails, which wait and try again; none is raised.
        """
        now_ms = self._now_ms()
        if not self._settings.host:
            self._outbox.mark_no_server(now_ms)
            return 0
        pending = self._outbox.pending(now_ms)
        if not pending:
            return 0
        try:
            with self._connect() as server:
                return sum(self._send(server, mail) for mail in pending)
        except (OSError, smtplib.SMTPException) as error:
            self._put_off(pending, error)
            return 0

    def _put_off(self, pending: list[OutboxMail], error: Exception) -> None:
        settings = self._settings
        log.warning("mail server %s:%d: %s", settings.host, settings.port, _words(error))
        for mail in pending:
            current = self._outbox.get(mail.message_id)
            untouched = (
                current is not None and current.sent_at_ms is None and current.attempts == mail.attempts
            )
            if untouched:
                self._outbox.mark_failed(mail.message_id, _words(error), self._now_ms())

    def _connect(self) -> smtplib.SMTP:
        settings = self._settings
        context = ssl.create_default_context(cafile=settings.ca_file or None)
        if settings.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(
                settings.host, settings.port, timeout=settings.timeout_s, context=context
            )
        else:
            server = smtplib.SMTP(settings.host, settings.port, timeout=settings.timeout_s)
        try:
            if settings.security == "starttls":
                server.starttls(context=context)
            if settings.username:
                server.login(settings.username, settings.password)
        except BaseException:
            server.close()
            raise
        return server

    def _send(self, server: smtplib.SMTP, mail: OutboxMail) -> bool:
        """One mail; True when at least one recipient has it and none is left to try."""
        try:
            eml = self._outbox.eml(mail.message_id) or b""
            refused = server.sendmail(self._settings.sender, mail.recipients, eml)
        except smtplib.SMTPRecipientsRefused as error:
            refused = error.recipients
        except smtplib.SMTPServerDisconnected:
            raise
        except smtplib.SMTPResponseException as error:
            self._outbox.mark_failed(mail.message_id, _words(error), self._now_ms())
            return False
        return self._note(mail, refused)

    def _note(self, mail: OutboxMail, refused: dict[str, tuple[int, bytes]]) -> bool:
        now_ms = self._now_ms()
        why = "; ".join(f"{address}: {_reply(*reply)}" for address, reply in refused.items())
        later = [address for address, (code, _) in refused.items() if code in TEMPORARY]
        if later or len(refused) == len(mail.recipients):
            # Those who have it are not sent it again; with nobody left it stays here, the fault in view.
            self._outbox.narrow(mail.message_id, later or list(refused))
            self._outbox.mark_failed(mail.message_id, why, now_ms)
            return False
        self._outbox.mark_sent(mail.message_id, now_ms, note=f"refused by the server: {why}" if why else None)
        log.info("mail %s sent to %d", mail.message_id, len(mail.recipients) - len(refused))
        return True

    def _now_ms(self) -> int:
        return round(self._clock().timestamp() * 1000)


def _reply(code: int, text: bytes) -> str:
    return f"{code} {text.decode('utf-8', 'replace')}"


def _words(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        text = error.smtp_error
        return _reply(error.smtp_code, text if isinstance(text, bytes) else str(text).encode())
    return f"{type(error).__name__}: {error}"
