"""Settings turned into what each part takes. Pure but for the password files."""

from __future__ import annotations

from alerts.alarm import Priority
from alerts.desk import AlertSettings
from alerts.routing import MailSettings, Recipient, Route, UnitsSystem
from dashboards.display import System
from dashboards.settings import BoardSettings
from dewline.settings import Loaded, secret
from ingest.listener import BrokerAddress, ListenerSettings
from models.parameters import Parameters

OUTBOX_FOLDER = "outbox"


def broker_address(loaded: Loaded) -> BrokerAddress:
    """Where the listener connects: the broker named, else Dewline's own."""
    broker = loaded.settings.broker
    return BrokerAddress(
        host=broker.host or broker.bind,
        port=broker.port,
        tls=broker.tls,
        ca_file=broker.ca_file and loaded.home / broker.ca_file,
        cert_file=broker.cert_file and loaded.home / broker.cert_file,
        key_file=broker.key_file and loaded.home / broker.key_file,
        username=broker.username or None,
        password=secret(broker.password, broker.password_file, loaded.home, "broker.password_file") or None,
    )


def listener_settings(loaded: Loaded) -> ListenerSettings:
    """How the listener behaves."""
    listener = loaded.settings.listener
    return ListenerSettings(
        prefix=listener.prefix,
        client_id=loaded.settings.broker.client_id,
        share_group=listener.share_group or None,
        flush_messages=listener.flush_messages,
        flush_s=listener.flush_s,
        receive_maximum=listener.receive_maximum,
        session_expiry_s=listener.session_expiry_s,
    )


def parameters(loaded: Loaded) -> Parameters:
    """What the engine takes for hot, wet and harmful."""
    analysis = loaded.settings.analysis
    return Parameters(
        required_margin_k=analysis.margin_k,
        required_floor_c=analysis.floor_c,
        rh_over_water=analysis.rh_over == "water",
        harmful_water_fraction=analysis.harmful_water_frac,
        silent_after_h=analysis.silent_after_h,
    )


def alert_settings(loaded: Loaded) -> AlertSettings:
    """Alarms and e-mail."""
    mail = loaded.settings.mail
    return AlertSettings(
        mail=MailSettings(
            host=mail.smtp_host,
            port=mail.smtp_port,
            security=mail.security,
            username=mail.username,
            password=secret(mail.password, mail.password_file, loaded.home, "mail.password_file"),
            ca_file=str(loaded.home / mail.ca_file) if mail.ca_file else "",
            sender=mail.sender,
            default_recipients=_recipients(mail.recipients, mail.units),
            routes=tuple(
                Route(
                    recipients=_recipients(route.recipients, route.units),
                    yards=frozenset(route.yards),
                    customers=frozenset(route.customers),
                    least_priority=Priority(route.least_priority),
                )
                for route in mail.routes
            ),
            base_url=loaded.board_url,
        ),
        outbox_folder=loaded.home / OUTBOX_FOLDER,
    )


def board_settings(loaded: Loaded) -> BoardSettings:
    """The board."""
    board = loaded.settings.board
    return BoardSettings(
        host=board.host,
        port=board.port,
        title=board.title,
        system=System(board.units),
        logins={name: hashed.get_secret_value() for name, hashed in board.logins.items()},
        session_secret=board.session_secret.get_secret_value(),
        api_tokens={name: digest.get_secret_value() for name, digest in board.api_tokens.items()},
        allowed_hosts=board.allowed_hosts,
        silent_after_s=board.silent_after_s,
        harmful_water_frac=loaded.settings.analysis.harmful_water_frac,
        mail_server=bool(loaded.settings.mail.smtp_host),
    )


def _recipients(addresses: tuple[str, ...], units_system: UnitsSystem) -> tuple[Recipient, ...]:
    return tuple(Recipient(address=address, units_system=units_system) for address in addresses)
