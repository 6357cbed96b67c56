"""The alarm, its states and which step is allowed from which, in the vocabulary of IEC 62682 and ISA-18.2.

The steps themselves are in `transitions.py`; what should change, and when, is `policy.py`'s.
"""

from __future__ import annotations

import datetime as dt
import enum
import hashlib

import msgspec

from models.records import Finding, Pattern

SYSTEM = "dewline"
"""Who is named in the log when no person acted."""


class AlarmState(enum.StrEnum):
    """States of the standard's diagram; latching is not used, so its two latched states are absent."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


class Priority(enum.StrEnum):
    """How soon a person must act; three, as the standards advise."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"

    @property
    def rank(self) -> int:
        """0 is the most urgent."""
        return list(Priority).index(self)


class Told(enum.StrEnum):
    """What the recipients heard last."""

    NOTHING = "nothing"
    ACTIVE = "active"
    ENDED = "ended"


class Action(enum.StrEnum):
    """Everything that can be done to an alarm."""

    RAISE = "raise"
    REVISE = "revise"
    ACKNOWLEDGE = "acknowledge"
    UNACKNOWLEDGE = "unacknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    TAKE_OUT_OF_SERVICE = "take_out_of_service"
    RETURN_TO_SERVICE = "return_to_service"
    RETURN_TO_NORMAL = "return_to_normal"
    CLEAR = "clear"
    REOPEN = "reopen"
    WITHDRAW = "withdraw"


_S = AlarmState
COVERED = frozenset({_S.SHELVED, _S.SUPPRESSED_BY_DESIGN, _S.OUT_OF_SERVICE})
"""States in which nobody is told anything, whatever the condition does."""
_IN_VIEW = frozenset({_S.UNACKNOWLEDGED, _S.ACKNOWLEDGED, _S.RETURNED_UNACKNOWLEDGED})

LEGAL_FROM: dict[Action, frozenset[AlarmState]] = {
    Action.REVISE: frozenset(AlarmState),
    Action.ACKNOWLEDGE: frozenset({_S.UNACKNOWLEDGED, _S.RETURNED_UNACKNOWLEDGED}),
    Action.UNACKNOWLEDGE: frozenset({_S.ACKNOWLEDGED, _S.NORMAL}),
    Action.SHELVE: _IN_VIEW,
    Action.UNSHELVE: frozenset({_S.SHELVED}),
    Action.SUPPRESS: _IN_VIEW,
    Action.UNSUPPRESS: frozenset({_S.SUPPRESSED_BY_DESIGN}),
    Action.TAKE_OUT_OF_SERVICE: frozenset(AlarmState) - {_S.OUT_OF_SERVICE},
    Action.RETURN_TO_SERVICE: frozenset({_S.OUT_OF_SERVICE}),
    Action.RETURN_TO_NORMAL: frozenset({_S.UNACKNOWLEDGED, _S.ACKNOWLEDGED}) | COVERED,
    Action.CLEAR: frozenset({_S.RETURNED_UNACKNOWLEDGED}),
    Action.REOPEN: frozenset({_S.NORMAL, _S.RETURNED_UNACKNOWLEDGED}) | COVERED,
    Action.WITHDRAW: frozenset(AlarmState),
}
"""From which states each action is allowed; `RAISE` makes the alarm and starts from none."""


class IllegalTransition(ValueError):  # noqa: N818 - the standard's word, read in tracebacks
    """The state diagram has no such step. `alarm_id`, `state` and `action` say which."""

    def __init__(self, alarm_id: str, state: AlarmState, action: Action, why: str = "") -> None:
        allowed = ", ".join(sorted(LEGAL_FROM[action]))
        super().__init__(
            f"alarm {alarm_id!r} is {state.value!r}: can't {action.value}, {why or f'only from {allowed}'}"
        )
        self.alarm_id = alarm_id
        self.state = state
        self.action = action


class LogEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One step in an alarm's life."""

    at: dt.datetime
    by: str
    action: Action
    state: AlarmState
    """State after the step."""
    note: str = ""


class Alarm(msgspec.Struct, frozen=True, kw_only=True):
    """A condition of one unit that needs a person's response. At most one is open per unit and pattern."""

    alarm_id: str
    unit_id: str
    pattern: Pattern
    priority: Priority
    state: AlarmState
    raised_at: dt.datetime
    """When the condition was decided, in the truck's time: `first_flagged_at` of the first finding."""
    opened_at: dt.datetime
    """When the alarm came up here; time to respond counts from it."""
    acknowledged_at: dt.datetime | None = None
    acknowledged_by: str = ""
    returned_at: dt.datetime | None = None
    """When the condition ended; None while it stands."""
    cleared_at: dt.datetime | None = None
    shelved_until: dt.datetime | None = None
    cover_reason: str = ""
    """Why it is shelved, suppressed or out of service."""
    close_reason: str = ""
    missing_since: dt.datetime | None = None
    """Since when its finding is gone from the results: late data may be about to withdraw it."""
    finding_ids: tuple[str, ...]
    finding: Finding
    """The latest record of the latest finding."""
    told_finding: Finding | None = None
    """The finding as the recipients heard it last."""
    restated: bool = False
    """Something that had been said was taken back since then: late data, or history worked through anew."""
    reopened: int = 0
    told: Told = Told.NOTHING
    told_at: dt.datetime | None = None
    told_in_summary: bool = False
    n_mails: int = 0
    n_restated: int = 0
    """Mails that said what no longer holds."""
    n_reminders: int = 0
    revision: int = 0
    log: tuple[LogEntry, ...] = ()

    @property
    def standing(self) -> bool:
        """True while the condition holds, covered or not."""
        return self.returned_at is None

    @property
    def open(self) -> bool:
        """True in every state but normal."""
        return self.state is not AlarmState.NORMAL

    @property
    def active(self) -> bool:
        """True while it stands and asks for a response."""
        return self.standing and self.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


def alarm_id_of(finding: Finding) -> str:
    """Stable identity from unit, pattern and the instant it was decided; at most 64 characters.

    A digest stands for unit and instant, so that an odd unit name can't get into headers or file names.
    """
    key = "\n".join((finding.unit_id, finding.pattern, finding.first_flagged_at.isoformat()))
    digest = hashlib.blake2b(key.encode(errors="surrogatepass"), digest_size=10).hexdigest()
    return f"{finding.pattern.value}-{digest}"
