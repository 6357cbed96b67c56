"""The mailer against a real SMTP server: encryption, login, refusals, outages, at least once."""

from __future__ import annotations

import email
import email.policy
import socket
import ssl
from dataclasses import replace
from email.message import EmailMessage

import pytest
import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from alerts.mailer import Mailer
from alerts.outbox import NO_SERVER, Outbox, back_off_s
from alerts.routing import MailSettings
from tests.unit.alerts.conftest import Clock

TO = ("service@fleet.example", "north@fleet.example")


class Sink:
    """Takes mails, or answers RCPT and DATA as it is told to."""

    def __init__(self) -> None:
        self.taken: list[tuple[list[str], bytes]] = []
        self.rcpt: dict[str, str] = {}
        self.data = "250 OK"

    async def handle_RCPT(self, server, session, envelope, address, rcpt_options):  # noqa: N802
        reply = self.rcpt.get(address, "250 OK")
        if reply.startswith("250"):
            envelope.rcpt_tos.append(address)
        return reply

    async def handle_DATA(self, server, session, envelope):  # noqa: N802
        if self.data.startswith("250"):
            self.taken.append((list(envelope.rcpt_tos), envelope.content))
        return self.data


@pytest.fixture
def sink():
    return Sink()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def serve(sink):
    started = []

    def start(**options):
        controller = Controller(sink, hostname="127.0.0.1", port=free_port(), **options)
        controller.start()
        started.append(controller)
        return controller.port

    yield start
    for controller in started:
        controller.stop(no_assert=True)


@pytest.fixture
def authority(tmp_path):
    authority = trustme.CA()
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    return str(tmp_path / "ca.pem"), context


@pytest.fixture
def outbox(database):
    outbox = Outbox(database)
    message = EmailMessage()
    message["Message-ID"] = "<one@fleet.example>"
    message["Subject"] = "Überschrift"
    message.set_content("Grüße\n.\nlast line")
    with database.begin() as connection:
        outbox.put(connection, message, recipients=TO, alarm_id=None, now_ms=0)
    return outbox


def settings_for(port, **changes):
    plain = MailSettings(
        host="127.0.0.1", port=port, security="none", sender="dewline@fleet.example", timeout_s=5
    )
    return replace(plain, **changes)


def row(outbox):
    (one,) = outbox.recent()
    return one


def test_mail_arrives_whole_once(outbox, sink, serve, clock):
    mailer = Mailer(outbox, settings_for(serve()), clock)
    assert mailer.drain() == 1
    assert mailer.drain() == 0
    ((recipients, content),) = sink.taken
    assert recipients == list(TO)
    arrived = email.message_from_bytes(content, policy=email.policy.default)
    assert arrived["Message-ID"] == "<one@fleet.example>"
    assert arrived["Subject"] == "Überschrift"
    assert arrived.get_content().splitlines() == ["Grüße", ".", "last line"]
    assert row(outbox).sent_at_ms == int(clock.now.timestamp() * 1000)


# The test server counts only STARTTLS as encryption and warns about a login over implicit TLS.
@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")
@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_mail_over_an_encrypted_line_with_login(outbox, sink, serve, clock, authority, security):
    ca_file, context = authority
    seen = []

    def check(server, session, envelope, mechanism, data):
        seen.append((data.login, data.password, session.ssl is not None or security == "tls"))
        return AuthResult(success=data.password == b"s3cret")

    options = {"authenticator": check, "auth_required": True}
    if security == "tls":
        port = serve(ssl_context=context, auth_require_tls=False, **options)
    else:
        port = serve(tls_context=context, require_starttls=True, **options)
    settings = settings_for(port, security=security, username="dewline", password="s3cret", ca_file=ca_file)
    assert Mailer(outbox, settings, clock).drain() == 1
    assert len(sink.taken) == 1
    assert seen == [(b"dewline", b"s3cret", True)]


def test_wrong_password_keeps_the_mail_and_hides_the_password(outbox, sink, serve, clock, authority):
    ca_file, context = authority
    port = serve(
        tls_context=context,
        authenticator=lambda *_: AuthResult(success=False, handled=False),
        auth_required=True,
    )
    settings = settings_for(
        port, security="starttls", username="dewline", password="hunter2", ca_file=ca_file
    )
    assert Mailer(outbox, settings, clock).drain() == 0
    assert sink.taken == []
    assert "535" in row(outbox).last_error
    assert "hunter2" not in row(outbox).last_error


def test_server_without_starttls_gets_no_mail_in_the_clear(outbox, sink, serve, clock):
    assert Mailer(outbox, settings_for(serve(), security="starttls"), clock).drain() == 0
    assert sink.taken == []
    assert "STARTTLS" in row(outbox).last_error


def test_server_with_an_unknown_certificate_gets_no_mail(outbox, sink, serve, clock, authority):
    _, context = authority
    assert Mailer(outbox, settings_for(serve(tls_context=context), security="starttls"), clock).drain() == 0
    assert sink.taken == []
    assert "CERTIFICATE_VERIFY_FAILED" in row(outbox).last_error


def test_mail_waits_out_an_outage_and_goes_when_the_server_is_back(outbox, sink, serve, clock):
    down = Mailer(outbox, settings_for(free_port()), clock)
    for attempts in range(1, 4):
        assert down.drain() == 0
        assert row(outbox).attempts == attempts
        assert down.drain() == 0
        assert row(outbox).attempts == attempts, "tried again before the back-off was over"
        clock.pass_by(seconds=back_off_s(attempts))
    assert Mailer(outbox, settings_for(serve()), clock).drain() == 1
    assert row(outbox).last_error is None
    assert len(sink.taken) == 1


def test_temporary_refusal_of_the_data_is_tried_again(outbox, sink, serve, clock):
    mailer = Mailer(outbox, settings_for(serve()), clock)
    sink.data = "451 try later"
    assert mailer.drain() == 0
    assert row(outbox).last_error == "451 try later"
    sink.data = "250 OK"
    clock.pass_by(minutes=5)
    assert mailer.drain() == 1


def test_recipient_put_off_is_tried_alone_and_the_other_not_twice(outbox, sink, serve, clock):
    mailer = Mailer(outbox, settings_for(serve()), clock)
    sink.rcpt[TO[1]] = "450 mailbox busy"
    assert mailer.drain() == 0
    sink.rcpt.clear()
    clock.pass_by(minutes=5)
    assert mailer.drain() == 1
    assert [recipients for recipients, _ in sink.taken] == [[TO[0]], [TO[1]]]


def test_recipient_refused_for_good_is_noted_and_the_other_has_the_mail(outbox, sink, serve, clock):
    sink.rcpt[TO[1]] = "550 no such mailbox"
    assert Mailer(outbox, settings_for(serve()), clock).drain() == 1
    assert row(outbox).sent_at_ms is not None
    assert row(outbox).last_error == f"refused by the server: {TO[1]}: 550 no such mailbox"


def test_mail_nobody_takes_stays_in_view(outbox, sink, serve, clock):
    sink.rcpt = dict.fromkeys(TO, "550 no such mailbox")
    assert Mailer(outbox, settings_for(serve()), clock).drain() == 0
    assert row(outbox).sent_at_ms is None
    assert "550 no such mailbox" in row(outbox).last_error


def test_crash_after_the_server_took_it_sends_again_with_the_same_id(outbox, sink, serve, clock, monkeypatch):
    mailer = Mailer(outbox, settings_for(serve()), clock)
    with monkeypatch.context() as patch:
        patch.setattr(outbox, "mark_sent", lambda *_, **__: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            mailer.drain()
    assert mailer.drain() == 1
    ids = {email.message_from_bytes(content)["Message-ID"] for _, content in sink.taken}
    assert len(sink.taken) == 2
    assert ids == {"<one@fleet.example>"}


def test_without_a_server_mails_stay_and_say_why(outbox, clock):
    assert Mailer(outbox, MailSettings(), clock).drain() == 0
    assert row(outbox).last_error == NO_SERVER
    assert row(outbox).attempts == 0


def test_clock_is_the_one_given(outbox, sink, serve):
    late = Clock()
    late.pass_by(days=3)
    Mailer(outbox, settings_for(serve()), late).drain()
    assert row(outbox).sent_at_ms == int(late.now.timestamp() * 1000)
