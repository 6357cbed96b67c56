"""Messages taken apart for reading."""

from __future__ import annotations

from email.message import EmailMessage

from dashboards.mail_parts import POLICY, mail_parts
from tests.unit.dashboards.invented import EML


def test_text_and_html() -> None:
    parts = mail_parts(EML)
    assert parts.subject == "Rail truck 03: short, cool runs"
    assert parts.text.strip() == "Rail truck 03 holds water."
    assert "<h1>Rail truck 03</h1>" in parts.html


def test_html_may_load_nothing() -> None:
    page = mail_parts(EML).html
    assert page.index("Content-Security-Policy") < page.index("<h1>")
    assert POLICY.startswith("default-src 'none'")
    assert "script-src" not in POLICY


def test_own_pictures_are_put_in() -> None:
    message = EmailMessage()
    message.set_content("plain")
    message.add_alternative('<img src="cid:chart@board"><img src="cid:gone">', subtype="html")
    html = message.get_payload()[1]  # type: ignore[index]
    html.add_related(b"\x89PNG", "image", "png", cid="<chart@board>")  # type: ignore[union-attr]
    page = mail_parts(message.as_bytes()).html
    assert 'src="data:image/png;base64,iVBORw=="' in page
    assert "cid:" not in page


def test_no_message_at_all() -> None:
    parts = mail_parts(b"\xff\xfe not a message")
    assert (parts.subject, parts.html) == ("", "")
