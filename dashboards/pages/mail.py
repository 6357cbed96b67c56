"""The mail page: the outbox with the state of each message, and a pane to read it in."""

from __future__ import annotations

import asyncio
from html import escape

from fastapi import Request
from nicegui import ui

from dashboards import display, words
from dashboards.addresses import segment
from dashboards.board import Board
from dashboards.mail_parts import MailParts, mail_parts
from dashboards.pages.frame import Visit, empty, fault, framed, heading, visit
from dashboards.sources import MailView

LISTED = 200
REFRESH_S = 5.0


def register(board: Board) -> None:
    """Put the page at ``/mail``; ``?id=`` opens a message."""

    @ui.page("/mail", title="Mail")
    async def mail_page(request: Request) -> None:
        here = visit(board, request)
        with framed(here, "/mail", "Mail"):
            heading("Mail")
            await MailPage(here, request.query_params.get("id", "")).build()


class MailPage:
    """The page for one visitor."""

    def __init__(self, here: Visit, wanted: str) -> None:
        self._here, self._wanted = here, wanted
        self._seen: list[MailView] | None = None

    async def build(self) -> None:
        """List on the left, message on the right; below each other on a phone."""
        if not self._here.board.settings.mail_server:
            ui.label(
                "No mail server is set: messages stay here to be read and are sent once one is."
            ).classes("dw-sub")
        with ui.element("div").classes("dw-mail"):
            self._list = ui.element("div").classes("dw-mail-list")
            self._pane = ui.element("div").classes("dw-mail-pane")
        await self._refresh()
        ui.timer(REFRESH_S, self._refresh, immediate=False)
        await self._show()

    async def _refresh(self) -> None:
        try:
            mails = await asyncio.to_thread(self._here.board.sources.mails, LISTED)
        except Exception as error:
            self._list.clear()
            with self._list:
                fault(error, "Reading the outbox")
            return
        if mails == self._seen:
            return
        self._seen = mails
        self._list.clear()
        with self._list:
            if not mails:
                empty(
                    "No mail yet.", "A message is written when an alarm comes up, and again when it is over."
                )
            for mail in mails:
                self._item(mail)

    def _item(self, mail: MailView) -> None:
        state, why = words.mail_state(mail)
        with ui.link(target=f"/mail?id={segment(mail.message_id)}").classes("dw-mail-item") as item:
            if segment(mail.message_id) == self._wanted:
                item.props('aria-current="true"')
            ui.label(mail.subject).classes("dw-mail-subject")
            ui.label(f"{self._age(mail)} · to {_to(mail)}")
            with ui.element("div"):
                ui.label(state).classes("dw-tag good" if state == "sent" else "dw-tag caution")
                ui.label(why.removeprefix("not sent: ")).classes("dw-sub dw-why")

    def _age(self, mail: MailView) -> str:
        return display.ago((self._here.board.clock() - mail.created_at).total_seconds())

    async def _show(self) -> None:
        mails = self._seen or []
        chosen = [mail for mail in mails if segment(mail.message_id) == self._wanted] or (
            mails[:1] if not self._wanted else []
        )
        with self._pane:
            if not chosen:
                if self._wanted:
                    empty("That message is not in the outbox.", "Choose one from the list.")
                return
            eml = await asyncio.to_thread(self._here.board.sources.mail_eml, chosen[0].message_id)
            if eml is None:
                empty("That message is not in the outbox.", "Choose one from the list.")
                return
            self._message(chosen[0], mail_parts(eml))

    def _message(self, mail: MailView, parts: MailParts) -> None:
        ui.label(parts.subject).classes("dw-alarm-title")
        ui.label(f"From {parts.sender} · to {parts.to or 'nobody'} · {parts.date}").classes("dw-sub")
        ui.link("Download .eml", f"/mail/{segment(mail.message_id)}.eml").classes("dw-button dw-small")
        if parts.html:
            # No script, no forms, no way out of the frame: the message may quote what a truck called itself.
            ui.html(
                '<iframe class="dw-mail-frame" title="Message" sandbox="" '
                f'srcdoc="{escape(parts.html)}"></iframe>',
                sanitize=False,
            )
        with ui.element("details").props("" if parts.html else "open"):
            with ui.element("summary"):
                ui.label("As plain text").classes("dw-inline")
            with ui.element("pre").classes("dw-mail-text"):
                ui.label(parts.text)


def _to(mail: MailView) -> str:
    return ", ".join(mail.recipients) or "nobody"
