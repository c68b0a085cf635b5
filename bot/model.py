"""A unit: everything that one facility's turns read and write, and what it shows its district."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Literal

from bot.alert import Alert, Ended, Tally, Watch
from bot.amend import Amend, Invite
from bot.check import Check
from bot.site import Site
from flows.batch import Batch, Kind

Condition = Literal["READY", "IN PROCESS", "USED", "SET ASIDE", "EXPIRED"]
Pace = Literal["guided", "brief"]
TICK = timedelta(microseconds=1)  # the least by which two moments differ in every store


@dataclass(frozen=True, slots=True)
class SetState:
    """The condition of one set, and since when. EXPIRED is never stored: time makes it.

    *since* of a set only grows (`after` sees to it), so that whoever hears of two conditions in
    the wrong order knows the newer one. *load* of a READY set is the autoclave load it came from;
    of one IN PROCESS, the failed load that it may not be READY from again. *expires_at* of one
    IN PROCESS: when it was reported opened, so that it may not be READY as before.
    """

    id: str
    condition: Condition = "USED"
    since: datetime | None = None
    expires_at: datetime | None = None
    batch: str = ""
    load: str = ""

    def now(self, now: datetime) -> Condition:
        """The condition at *now*: READY past its storage life is EXPIRED."""
        if self.condition != "READY":
            return self.condition
        if self.expires_at is None or now >= self.expires_at:
            return "EXPIRED"
        return "READY"

    def after(self, old: SetState, now: datetime) -> SetState:
        """The same condition, since *now*, or since just after *old* if the clock was set back."""
        if old.since is None or old.since < now:
            return replace(self, since=now)
        return replace(self, since=old.since + TICK)


@dataclass(frozen=True, slots=True)
class Talk:
    """Where one person's conversation stands. *screen* is "" while a batch has the word.

    *choices* are the ids behind the numbers last shown. *heard_at* is the gateway's own date of
    the last answer taken, to know an older one that comes late. *stopped*: she told the carrier
    that she wants no more messages. *last* is the batch that closed last; *told_training* the
    facility's day on which she was last told that the numbers are for training. *danger_at*: when
    she reported an accident last, *dangers* the kinds of it that those above were told of.
    *away_until*: on leave; *quiet_until*: asked for silence, danger excepted. *about* is the alert
    or the facility that her screen shows, *page* the first row of a list on it; *shown_at*: when a
    supervisor was answered last, to know what came to her after that.
    """

    phone: str
    batch: str = ""
    screen: str = ""
    choices: tuple[str, ...] = ()
    pace: Pace = "guided"
    stepwise: bool = False
    practice: bool = False
    tries: int = 0
    ussd_session: str = ""
    ussd_text: str = ""
    heard_at: datetime | None = None
    stopped: bool = False
    last: str = ""
    told_training: date | None = None
    danger_at: datetime | None = None
    dangers: tuple[str, ...] = ()
    away_until: datetime | None = None
    quiet_until: datetime | None = None
    about: str = ""
    page: int = 0
    shown_at: datetime | None = None

    def absent(self, now: datetime) -> bool:
        """Whether no text can be of use: on leave, or she told the carrier to send no more."""
        return self.stopped or bool(self.away_until and now < self.away_until)


@dataclass(frozen=True, slots=True)
class Reminder:
    """Something to say at *due* that no batch carries: a solution past its time, an exposure to
    blood that must be seen to, the end of a silence that was asked for. *by* is the register id
    of whoever it is about; *facts* are plain.
    """

    id: str
    kind: Literal["solution", "blood", "quiet"]
    by: str
    at: datetime
    due: datetime
    facts: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Spores:
    """What spore tests (biological indicators) said of the facility's autoclave.

    *good_since* is the start of the day on which the last good test was run, *failed_at* when the
    last failed one was reported, *cleared_at* when a good test last lifted a stop; None: never.
    """

    good_since: datetime | None = None
    failed_at: datetime | None = None
    cleared_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Underway:
    """An open batch as those above see it: no person, no log."""

    id: str
    sets: tuple[str, ...]
    stage: str
    method: str
    opened_at: datetime
    last: datetime
    due: datetime | None = None


@dataclass(frozen=True, slots=True)
class Standing:
    """What a facility shows to those above it: written with each of its turns that changes it.

    *names* are its people's first names by register id, *ended* the alerts closed last.
    """

    facility: str
    name: str
    zone: str
    sets: tuple[tuple[Kind, SetState], ...] = ()
    batches: tuple[Underway, ...] = ()
    alerts: tuple[Alert, ...] = ()
    tally: Tally = field(default_factory=Tally)
    heard: datetime | None = None
    names: Mapping[str, str] = field(default_factory=dict)
    ended: tuple[Ended, ...] = ()


@dataclass(frozen=True, slots=True)
class Unit:
    """Everything one facility's turns read and write. Batches here are open ones only.

    *board* is what the facilities of a district show: read by the turns of its supervisors, and
    written by those of the facilities. *invites* are codes given and not used up, *amends* what the
    register was asked for and has not answered.
    """

    site: Site
    version: int = 0
    serial: int = 0
    talks: Mapping[str, Talk] = field(default_factory=dict)
    batches: Mapping[str, Batch] = field(default_factory=dict)
    sets: Mapping[str, SetState] = field(default_factory=dict)
    reminders: Mapping[str, Reminder] = field(default_factory=dict)
    spores: Spores = Spores()
    alerts: Mapping[str, Alert] = field(default_factory=dict)
    watch: Watch = field(default_factory=Watch)
    tally: Tally = field(default_factory=Tally)
    check: Check = field(default_factory=Check)
    board: Mapping[str, Standing] = field(default_factory=dict)
    invites: Mapping[str, Invite] = field(default_factory=dict)
    amends: Mapping[str, Amend] = field(default_factory=dict)

    def talk(self, phone: str) -> Talk:
        """The conversation of *phone*; a new one begins at the main screen."""
        return self.talks.get(phone) or Talk(phone=phone, screen="home")

    def state_of(self, set_id: str) -> SetState:
        """The condition of a set; one never heard of is not ready."""
        return self.sets.get(set_id) or SetState(id=set_id)

    def put_talk(self, talk: Talk) -> Unit:
        return replace(self, talks={**self.talks, talk.phone: talk})

    def drop_talk(self, phone: str) -> Unit:
        return replace(self, talks={k: t for k, t in self.talks.items() if k != phone})

    def put_batch(self, batch: Batch) -> Unit:
        return replace(self, batches={**self.batches, batch.id: batch})

    def drop_batch(self, batch_id: str) -> Unit:
        return replace(self, batches={k: b for k, b in self.batches.items() if k != batch_id})

    def put_set(self, state: SetState) -> Unit:
        return replace(self, sets={**self.sets, state.id: state})

    def put_reminder(self, reminder: Reminder) -> Unit:
        return replace(self, reminders={**self.reminders, reminder.id: reminder})

    def drop_reminder(self, reminder_id: str) -> Unit:
        return replace(
            self, reminders={k: r for k, r in self.reminders.items() if k != reminder_id}
        )


    def put_alert(self, alert: Alert) -> Unit:
        return replace(self, alerts={**self.alerts, alert.id: alert})

    def drop_alert(self, alert_id: str) -> Unit:
        return replace(self, alerts={k: a for k, a in self.alerts.items() if k != alert_id})

    def drop_set(self, set_id: str) -> Unit:
        return replace(self, sets={k: s for k, s in self.sets.items() if k != set_id})

    def put_invite(self, invite: Invite) -> Unit:
        return replace(self, invites={**self.invites, invite.code: invite})

    def drop_invite(self, code: str) -> Unit:
        return replace(self, invites={k: i for k, i in self.invites.items() if k != code})

    def put_amend(self, amend: Amend) -> Unit:
        return replace(self, amends={**self.amends, amend.id: amend})

    def drop_amend(self, amend_id: str) -> Unit:
        return replace(self, amends={k: a for k, a in self.amends.items() if k != amend_id})
