"""A stored message taken apart for reading: subject, text and an HTML page that can do nothing. Pure.

The HTML is shown in a sandboxed frame; its pictures, which the message carries itself, are put in as data,
and a content security policy keeps everything else out.
"""

from __future__ import annotations

import base64
import email
import email.policy
import re
from dataclasses import dataclass
from email.message import EmailMessage
from html import escape

POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
_CID = re.compile(r"cid:([^\"'\s>)]+)")


@dataclass(frozen=True)
class MailParts:
    """What a reading pane shows."""

    sender: str
    to: str
    subject: str
    date: str
    text: str
    html: str
    """A whole page, its own pictures inside; empty when the message has no HTML part."""


def mail_parts(eml: bytes) -> MailParts:
    """Take a message (RFC 5322, MIME) apart; what is missing comes out empty."""
    message = email.message_from_bytes(eml, policy=email.policy.default)
    return MailParts(
        sender=str(message.get("From", "")),
        to=str(message.get("To", "")),
        subject=str(message.get("Subject", "")),
        date=str(message.get("Date", "")),
        text=_content(message, "plain"),
        html=_page(message),
    )


def _content(message: EmailMessage, kind: str) -> str:
    part = message.get_body((kind,))
    return str(part.get_content()) if part is not None else ""


def _page(message: EmailMessage) -> str:
    html = _content(message, "html")
    if not html:
        return ""
    pictures = _pictures(message)
    inside = _CID.sub(lambda found: pictures.get(found[1], ""), html)
    return (
        f'<!doctype html><meta http-equiv="Content-Security-Policy" content="{escape(POLICY)}">'
        f'<base target="_blank">{inside}'
    )


def _pictures(message: EmailMessage) -> dict[str, str]:
    """Content-ID -> data URL of every picture in the message."""
    found = {}
    for part in message.walk():
        cid = str(part.get("Content-ID", "")).strip("<> ")
        if cid and part.get_content_maintype() == "image":
            payload = part.get_payload(decode=True)
            if isinstance(payload, bytes):
                data = base64.b64encode(payload).decode()
                found[cid] = f"data:{part.get_content_type()};base64,{data}"
    return found
