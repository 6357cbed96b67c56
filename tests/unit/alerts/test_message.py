"""The mails as mail programs parse them: headers, parts, threads, safety of hostile names."""

from __future__ import annotations

import dataclasses
import datetime as dt
import email
import email.policy
import html.parser
from dataclasses import replace
from email.message import EmailMessage

import msgspec
import pytest

from alerts import message, notices
from alerts import transitions as life
from alerts.message import Envelope, compose, compose_cleared, compose_summary
from alerts.notices import Heard, Notice, NoticeKind
from alerts.outbox import WIRE
from alerts.picture import Picture
from alerts.policy import AlarmPolicy
from alerts.rationale import rationales
from ingest.profile import UnitProfile
from models.records import Evidence, Pattern, UnitStatus
from tests.unit.alerts.conftest import NOON, make_finding

ENVELOPE = Envelope(
    sender="dewline@fleet.example",
    recipients=("service@fleet.example", "north@fleet.example"),
    units_system="us",
    domain="fleet.example",
    base_url="https://board.example/",
)
PROFILE = UnitProfile(unit_id="RM-07", label="Truck 7", yard="North yard", tz="America/Chicago")
PICTURE = Picture(png=b"\x89PNG\r\n\x1a\nnot drawn here", alt="Water rises", caption="The last days")
STATUS = UnitStatus(
    unit_id="RM-07",
    observed_at=NOON,
    running=False,
    discharge_temp_c=20.0,
    required_temp_c=65.0,
    pressure_dew_point_c=52.0,
    pressure_kpa=0.0,
    pressure_trusted=True,
    hours=412.0,
    ambient_temp_c=5.0,
    ambient_error_k=1.0,
    ambient_rh_pct=80.0,
    water_g=71.0,
    water_low_g=40.0,
    water_high_g=110.0,
    dry_out_min=34.0,
    run=None,
)
VOID = {"meta", "br", "img"}


class Html(html.parser.HTMLParser):
    """Collects tags and text, and complains about elements left open."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


def notice(kind=NoticeKind.RAISED, pattern=Pattern.SHORT_CYCLING, unit_id="RM-07", **changes) -> Notice:
    finding = msgspec.structs.replace(make_finding(pattern, unit_id), **changes)
    alarm = life.raised(finding, rationales()[pattern].priority, NOON)
    return Notice(kind=kind, alarms=(notices.told(alarm, kind, NOON),))


def made(
    kind=NoticeKind.RAISED,
    pattern=Pattern.SHORT_CYCLING,
    profile=PROFILE,
    envelope=ENVELOPE,
    picture=PICTURE,
    **changes,
):
    one = notice(kind, pattern, profile.unit_id, **changes)
    return parsed(compose(one, profile, rationales()[pattern], STATUS, picture, None, envelope, NOON))


def parsed(mail: EmailMessage) -> EmailMessage:
    raw = mail.as_bytes(policy=WIRE)
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998, "longer than RFC 5322 allows"
    again = email.message_from_bytes(raw, policy=email.policy.default)
    assert [defect for part in again.walk() for defect in part.defects] == []
    return again


def part(mail: EmailMessage, kind: str) -> str:
    body = mail.get_body((kind,))
    assert body is not None
    return body.get_content().replace("\r\n", "\n")


def test_subject_says_unit_what_and_by_when():
    subject = made()["Subject"]
    assert subject.startswith("Truck 7: Short cool runs")
    assert subject.endswith("give it a dry-out run by Fri Jan 16, 6:00 AM CST")


def test_evidence_renewed_since_it_was_flagged_says_of_when_it_is():
    for text in (lambda m: part(m, "plain"), lambda m: Html(part(m, "html")).text):
        assert "as it was" not in " ".join(text(made(evidence_at=NOON)).split())
        later = made(evidence_at=NOON + dt.timedelta(days=2))
        assert "as it was Fri Jan 16, 6:00 AM CST" in " ".join(text(later).split())


def test_reminder_after_the_time_to_respond_says_that_it_was_due():
    tells = rationales()[Pattern.SHORT_CYCLING]
    late = NOON + tells.time_to_respond
    mail = parsed(compose(notice(NoticeKind.REMINDER), PROFILE, tells, STATUS, None, None, ENVELOPE, late))
    assert mail["Subject"].startswith("Reminder: Truck 7: ")
    assert mail["Subject"].endswith("give it a dry-out run, was due Fri Jan 16, 6:00 AM CST")
    for text in (part(mail, "plain"), Html(part(mail, "html")).text):
        assert "was due Fri Jan 16" in " ".join(text.split())
        assert "nobody has acknowledged this yet" in " ".join(text.split())


def test_structure_is_alternative_with_html_and_its_picture_together():
    mail = made()
    assert mail.get_content_type() == "multipart/alternative"
    plain, related = mail.iter_parts()
    assert plain.get_content_type() == "text/plain"
    assert related.get_content_type() == "multipart/related"
    page, png = related.iter_parts()
    assert png.get_content() == PICTURE.png
    (image,) = [attrs for tag, attrs in Html(page.get_content()).tags if tag == "img"]
    assert f"<{image['src'].removeprefix('cid:')}>" == png["Content-ID"]
    assert image["alt"] == PICTURE.alt


SURE = dict.fromkeys(Pattern, "(93 % sure)") | {
    # No model gives these a probability, and a rank among sound runs is none either.
    Pattern.SENSOR_FAULT: "(by a fixed rule)",
    Pattern.STALE_TELEMETRY: "(by a fixed rule)",
    Pattern.SILENT_UNIT: "(by a fixed rule)",
    Pattern.UNLIKE_ITSELF: "(odder than 93 in 100 runs of sound units)",
}


@pytest.mark.parametrize("pattern", list(Pattern))
@pytest.mark.parametrize("kind", [NoticeKind.RAISED, NoticeKind.REOPENED, NoticeKind.REMINDER])
def test_every_part_tells_steps_cautions_cause_and_evidence(pattern, kind):
    mail, tells = made(kind, pattern), rationales()[pattern]
    for text in (part(mail, "plain"), Html(part(mail, "html")).text):
        words = " ".join(text.split())
        for expected in (*tells.response, *tells.cautions, tells.cause, tells.consequence, SURE[pattern]):
            assert expected in words
        assert "71 g of water (2.4 fl oz)" in words


def test_plain_text_keeps_to_its_width():
    lines = part(made(), "plain").splitlines()
    assert [line for line in lines if len(line) > message.WIDTH and "http" not in line] == []


def test_si_reader_gets_si():
    text = part(made(envelope=replace(ENVELOPE, units_system="si")), "plain")
    assert "Required temperature: 65 °C" in text
    assert "fl oz" not in text


def test_needed_hot_running_is_never_said_to_be_shorter_than_common_practice():
    one = notice()
    status = msgspec.structs.replace(STATUS, dry_out_min=3.0)
    mail = compose(one, PROFILE, rationales()[Pattern.SHORT_CYCLING], status, None, None, ENVELOPE, NOON)
    assert "about 20 min" in part(parsed(mail), "plain")


def test_water_beyond_one_dry_out_run_is_to_be_drained_first():
    for dry_out_min in (700.0, float("inf")):
        status = msgspec.structs.replace(STATUS, dry_out_min=dry_out_min)
        mail = compose(
            notice(), PROFILE, rationales()[Pattern.SHORT_CYCLING], status, None, None, ENVELOPE, NOON
        )
        text = " ".join(part(parsed(mail), "plain").split())
        assert "drain the settled water cold first" in text
        assert "needed, air valve open" not in text
        assert ("too wet to dry" in text) == (dry_out_min == float("inf"))


@pytest.mark.parametrize(
    ("longest_min", "words"),
    [
        (90.0, "air valve open once hot: about 34 min, at most 90 min"),
        (500.0, "about 34 min; it may take far longer"),
        (float("nan"), "about 34 min"),
    ],
)
def test_the_range_of_a_dry_out_and_its_condition_are_told_with_the_cautions(longest_min, words):
    status = msgspec.structs.replace(STATUS, dry_out_longest_min=longest_min)
    mail = compose(notice(), PROFILE, rationales()[Pattern.SHORT_CYCLING], status, None, None, ENVELOPE, NOON)
    for kind in ("plain", "html"):
        text = " ".join(part(parsed(mail), kind).split())
        assert words in text
        assert "air valve open once hot" in text
    assert "relieve" in part(parsed(mail), "plain")


def test_ice_asks_for_no_hot_running():
    text = part(made(pattern=Pattern.PRESSURE_SENSOR_ICING), "plain")
    assert "Required temperature" not in text
    assert "Hot running" not in text


def test_overheating_is_told_the_newest_temperature_and_no_water():
    text = part(made(pattern=Pattern.OVERHEATING), "plain")
    assert "Discharge at the newest reading," in text
    assert "Required temperature" not in text
    assert "Water held" not in text


def test_what_is_not_known_is_left_out():
    nan = float("nan")
    status = msgspec.structs.replace(STATUS, required_temp_c=nan, water_g=nan, dry_out_min=nan)
    for known in (status, None):
        mail = compose(
            notice(), PROFILE, rationales()[Pattern.SHORT_CYCLING], known, None, None, ENVELOPE, NOON
        )
        text = part(parsed(mail), "plain")
        assert "nan" not in text.lower().replace("maintenance", "")
        assert "Chart" not in text


def test_one_alarm_is_one_thread():
    first, reminder = made(), made(NoticeKind.REMINDER)
    assert first["In-Reply-To"] is None
    assert reminder["Message-ID"] != first["Message-ID"]
    assert reminder["In-Reply-To"] == reminder["References"] == first["Message-ID"]
    assert made()["Message-ID"] == first["Message-ID"]
    other = made(envelope=replace(ENVELOPE, units_system="si"))
    assert other["Message-ID"] != first["Message-ID"]


def test_mail_says_that_a_machine_wrote_it():
    """RFC 3834, section 5: Auto-Submitted keeps auto-responders from answering."""
    assert made()["Auto-Submitted"] == "auto-generated"


def test_urgent_mail_is_marked_important():
    assert made(pattern=Pattern.PRESSURE_SENSOR_ICING)["Importance"] == "high"
    assert made()["Importance"] is None


HOSTILE = [
    "a\r\nBcc: evil@evil.example",
    "a\nSubject: other\n\nbody",
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7*7 }}{% raw %}",
    "\u202eevil\u0000",
    "ü" * 500,
    "\ud83d",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_words(name):
    evidence = (Evidence(text=name, name="water_g", value=1.0),)
    mild = UnitProfile(unit_id="RM-07", label="Truck 7", yard="yard", customer="customer")
    harmless = made(profile=mild, evidence=(Evidence(text="fact", name="water_g", value=1.0),))
    hostile = made(profile=UnitProfile(unit_id=name, label=name, yard=name, customer=name), evidence=evidence)
    assert sorted(hostile.keys()) == sorted(harmless.keys())
    assert hostile["To"] == ", ".join(ENVELOPE.recipients)
    assert len(hostile["Subject"].splitlines()) == 1
    page, expected = Html(part(hostile, "html")), Html(part(harmless, "html"))
    assert [tag for tag, _ in page.tags] == [tag for tag, _ in expected.tags]
    assert {key for _, attrs in page.tags for key in attrs} == {
        key for _, attrs in expected.tags for key in attrs
    }


def test_template_syntax_in_a_name_is_not_carried_out():
    profile = UnitProfile(unit_id="RM-07", label="{{ 7*191 }}{% raw %}")
    for kind in ("plain", "html"):
        text = part(made(profile=profile), kind)
        assert "{{ 7*191 }}{% raw %}" in text
        assert "1337" not in text


def test_link_of_an_odd_unit_goes_to_the_list():
    assert "https://board.example/units/RM-07\n" in part(made(), "plain")
    odd = UnitProfile(unit_id="a/../b?c")
    assert "https://board.example/alarms\n" in part(made(profile=odd), "plain")


def test_dark_mode_phone_width_and_nothing_fetched_from_elsewhere():
    page = part(made(), "html")
    assert '<meta name="color-scheme" content="light dark">' in page
    assert "prefers-color-scheme: dark" in page
    tags = Html(page).tags
    assert ("meta", {"name": "viewport", "content": "width=device-width,initial-scale=1"}) in tags
    sources = [
        attrs.get("src") or attrs.get("href") for _, attrs in tags if "src" in attrs or "href" in attrs
    ]
    assert {source.partition(":")[0] for source in sources} == {"cid", "https"}
    assert not {"script", "link", "iframe", "form"} & {tag for tag, _ in tags}


def test_cleared_mail_says_when_it_ended_and_how_long_it_stood():
    one = notice().alarms[0]
    over = life.returned_to_normal(
        one, NOON + dt.timedelta(hours=5), NOON + dt.timedelta(hours=4), "it ended"
    )
    mail = parsed(
        compose_cleared(
            Notice(kind=NoticeKind.CLEARED, alarms=(over,)),
            PROFILE,
            rationales()[one.pattern],
            None,
            ENVELOPE,
            NOON,
        )
    )
    assert mail["Subject"] == "Ended: Truck 7: Short cool runs are filling the sump with water"
    assert mail["In-Reply-To"] == made()["Message-ID"]
    for text in (part(mail, "plain"), Html(part(mail, "html")).text):
        assert "Wed Jan 14, 10:00 AM CST, after 6 h" in " ".join(text.split())
        assert "second, independent gauge" in " ".join(text.split())


def test_withdrawn_mail_says_that_there_is_nothing_to_do():
    one = life.withdrawn(notice().alarms[0], NOON, "withdrawn: late data")
    withdrawn = Notice(kind=NoticeKind.CLEARED, alarms=(one,))
    mail = compose_cleared(withdrawn, PROFILE, rationales()[one.pattern], None, ENVELOPE, NOON)
    assert parsed(mail)["Subject"].startswith("Withdrawn: ")
    text = " ".join(part(parsed(mail), "plain").split())
    assert "Withdrawn: late data. Nothing is left to do about it; finish safely what has been begun." in text


def test_summary_lists_every_alarm_most_urgent_first():
    alarms = []
    for n, pattern in enumerate(list(Pattern) * 4):
        finding = make_finding(pattern, f"RM-{n:02d}")
        alarms.append(life.raised(finding, rationales()[pattern].priority, NOON))
    (one,) = notices.due(alarms, NOON, AlarmPolicy())
    profiles = {alarm.unit_id: UnitProfile(unit_id=alarm.unit_id) for alarm in alarms}
    mail = parsed(compose_summary(one, profiles, rationales(), ENVELOPE, NOON))
    assert mail["Subject"].startswith(f"{len(alarms)} alarms on {len(alarms)} units")
    assert mail["In-Reply-To"] is None
    for text in (part(mail, "plain"), Html(part(mail, "html")).text):
        assert all(alarm.unit_id in text for alarm in alarms)
        assert text.index("Ice in the pressure sensor line") < text.index("Short cool runs")
        assert "second, independent gauge" in " ".join(text.split())


def test_mail_without_recipients_is_still_a_mail():
    mail = made(envelope=replace(ENVELOPE, recipients=(), base_url=""))
    assert "undisclosed-recipients" in mail["To"]
    assert "http" not in part(mail, "plain")


def test_correction_strikes_out_what_was_said_and_not_what_was_left_unsaid():
    one = notice(NoticeKind.RESTATED)
    now = one.alarms[0].finding
    then = msgspec.structs.replace(now, confidence=0.7, evidence=now.evidence[:1])
    one = dataclasses.replace(one, heard=Heard(finding=then, at=NOON))
    rationale = rationales()[Pattern.SHORT_CYCLING]
    mail = parsed(compose(one, PROFILE, rationale, STATUS, PICTURE, None, ENVELOPE, NOON))
    html_text = part(mail, "html")
    assert "<s>70 % sure</s>" in html_text
    assert "nothing of it" in html_text
    assert "<s>nothing" not in html_text
