"""The types that cross the borders of the step: register, unit, events, effects."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Literal, NamedTuple

from bot.alert import Alert, Ended, Tally, Watch
from bot.amend import Amend, Invite
from bot.check import Check
from bot.message import Message
from flows.batch import Batch, Kind, Method
from flows.measures import Measure
from flows.strengths import Stock

Role = Literal["nurse", "in_charge", "supervisor"]
Condition = Literal["READY", "IN PROCESS", "USED", "SET ASIDE", "EXPIRED"]
Channel = Literal["sms", "ussd"]
Pace = Literal["guided", "brief"]

DISTRICT = "district-"  # begins the id of the site that a district's supervisors write to
LINE = "#"  # between a phone that several share and the id of one of them: her line
TICK = timedelta(microseconds=1)  # the least by which two moments differ in every store


@dataclass(frozen=True, slots=True)
class Person:
    """Someone the register knows. *phone* is E.164 with its plus sign; on a page of the register,
    where several share a phone, it is her line of it.

    *shift* is when she works, by the facility's clock ("07:00-19:00"; "" where nobody said).
    """

    id: str
    name: str
    phone: str
    role: Role
    language: str = "en"
    shift: str = ""


def number_of(phone: str) -> str:
    """The number to send to, of a phone or of somebody's line of one."""
    return phone.partition(LINE)[0]


@dataclass(frozen=True, slots=True)
class SetCard:
    """A set as the register describes it, with its model's pieces and allowed methods."""

    id: str
    model: str
    kind: Kind
    pieces: int
    methods: tuple[Method, ...]


@dataclass(frozen=True, slots=True)
class Bottle:
    """A chlorine product that a facility holds: since when it is open, and kept at about how warm
    (C); None where nobody knows, which is never taken for fresh or cool."""

    id: str
    stock: Stock
    opened: date | None = None
    celsius: float | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """A facility's page of the register: all that a turn needs to know about the place.

    *people* work here; *supervisors* are told of missed steps. A supervisor's own texts are
    kept under a site of her district with no sets. *autoclave* is the machine's type. *soak_ml* is
    what the soak container takes (0: nobody said), *measures* what there is to measure with.
    *checks* are the times of the shift check by the facility's clock ("07:00"), *least_ready* how
    many sets of a kind must be READY. *models* are those that a new set may be of, and that can be
    cleaned here.
    """

    id: str
    name: str
    district: str
    altitude_m: float
    zone: str
    methods: tuple[Method, ...]
    sets: tuple[SetCard, ...]
    people: tuple[Person, ...]
    supervisors: tuple[Person, ...] = ()
    autoclave: Literal["", "gravity", "prevacuum"] = ""
    protocol: str = "default"
    measures: tuple[Measure, ...] = ()
    soak_ml: float = 0
    stock: tuple[Bottle, ...] = ()
    checks: tuple[str, ...] = ()
    least_ready: tuple[tuple[Kind, int], ...] = ()
    models: tuple[str, ...] = ()

    @property
    def watches(self) -> str:
        """The district whose supervisors' own texts are kept under this site, or ""."""
        return self.id.removeprefix(DISTRICT) if self.id.startswith(DISTRICT) else ""

    def person(self, phone: str) -> Person | None:
        """Whoever has *phone*, working here or supervising."""
        return next((p for p in (*self.people, *self.supervisors) if p.phone == phone), None)

    def sharers(self, phone: str) -> tuple[Person, ...]:
        """Everybody who has a line of *phone*; nobody if it is one person's."""
        return tuple(p for p in self.people if p.phone.startswith(f"{phone}{LINE}"))

    def by_id(self, person_id: str) -> Person | None:
        """Whoever has the register id *person_id*."""
        return next((p for p in (*self.people, *self.supervisors) if p.id == person_id), None)


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


# Begins the session text of a gateway that sends only the newest USSD answer; nobody can type it.
NEWEST_ONLY = "\x1e"


# ---- events: what people, clocks and gateways do -------------------------------------------


@dataclass(frozen=True, slots=True)
class Heard:
    """A person said *text* (one answer; on USSD the newest). *sent_at* is the gateway's date.

    *draw* is a code drawn at random for this event, for whoever needs one that nobody can guess.
    """

    id: str
    phone: str
    channel: Channel
    text: str
    at: datetime
    sent_at: datetime | None = None
    session: str = ""
    session_text: str = ""
    tick: tuple[str, float] | None = None
    draw: str = ""


@dataclass(frozen=True, slots=True)
class Rang:
    """The timer of *batch_id* came up. The batch itself knows what was due, so a second ring of
    the same timer finds nothing due and only sets the next one again."""

    id: str
    batch_id: str
    at: datetime
    tick: tuple[str, float] | None = None


@dataclass(frozen=True, slots=True)
class Receipt:
    """The gateway says what became of a message about *batch_id* (kind: ask, bell, note, alert)."""

    id: str
    phone: str
    batch_id: str
    kind: str
    delivered: bool
    at: datetime


@dataclass(frozen=True, slots=True)
class Letter:
    """What a turn of one unit says to another, whose commit cannot reach it: a supervisor's
    answer to an alert (*kind* is the deed, *about* the alert, *word* her words), or that she is
    not to be told ("absent", *until* when). *by* and *name* say who. Or the register's answer to
    the amendment *about*: "amended" (*word*: whom or what it made) or "refused" (*word*: why)."""

    id: str
    at: datetime
    kind: str
    by: str
    name: str = ""
    about: str = ""
    word: str = ""
    until: datetime | None = None


Event = Heard | Rang | Receipt | Letter


# ---- effects: what the bot does ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Prompt:
    """A text to be rendered: catalogue *key* and its values, each text, number, time or Prompt."""

    key: str
    values: Mapping[str, Shown] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Day:
    """A moment shown as a date with the time, in the facility's zone."""

    at: datetime


Shown = Prompt | Day | str | int | float | datetime


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to the person who spoke: the USSD body, or an SMS. *end* closes the session."""

    prompt: Prompt
    end: bool = False
    practice: bool = False
    hastened: bool = False
    batch_id: str = ""


@dataclass(frozen=True, slots=True)
class Say:
    """An SMS to *phone*. *kind* is ask, bell, note or alert."""

    phone: str
    prompt: Prompt
    kind: str = "note"
    batch_id: str = ""
    practice: bool = False
    hastened: bool = False


@dataclass(frozen=True, slots=True)
class SetTimer:
    """Ring *batch_id* (a batch, or a reminder) at *due*. Each has one timer at most; setting
    replaces it."""

    batch_id: str
    due: datetime


@dataclass(frozen=True, slots=True)
class ClearTimer:
    """*batch_id* has no timer any more."""

    batch_id: str


@dataclass(frozen=True, slots=True)
class Push:
    """Send this state of the batch, and of its sets, to the store. Newer ones replace it there."""

    batch: Batch
    sets: tuple[SetState, ...]


@dataclass(frozen=True, slots=True)
class Conditions:
    """Send conditions of sets of one facility that no batch's push carries, each since its turn.

    A READY one names the released batch that proves it; the store takes its word for nothing.
    """

    site_id: str
    states: tuple[SetState, ...]


@dataclass(frozen=True, slots=True)
class Raised:
    """Send this state of an alert to the store. Newer ones replace it there."""

    district: str
    alert: Alert


@dataclass(frozen=True, slots=True)
class Amendments:
    """Send what a facility asks of the register and has no answer to: all of it, in its order, so
    that a later one carries whatever an earlier one still waits for."""

    site_id: str
    district: str
    amends: tuple[Amend, ...]


@dataclass(frozen=True, slots=True)
class Checked:
    """Send a shift check to the store: done, or missed. *slot* is the time it was for (None:
    between the times), *sets* what each set was found as, *uses_said* what somebody counted since
    *since* and *uses_counted* what the conversations did; None where nobody said.
    """

    id: str
    facility: str
    district: str
    slot: datetime | None
    at: datetime | None
    by: str
    since: datetime | None
    sets: Mapping[str, str]
    uses_said: int | None
    uses_counted: int
    births: int | None
    helped: int | None
    late_minutes: float
    done: bool


@dataclass(frozen=True, slots=True)
class Post:
    """Hand *letter* to the unit of *site_id*: at least once, and taken once."""

    site_id: str
    letter: Letter


Pushed = Push | Conditions | Raised | Message | Checked
"""What is pushed to the store."""

Effect = (
    Reply | Say | SetTimer | ClearTimer | Push | Conditions | Raised | Checked | Amendments | Post
)


class Step(NamedTuple):
    """What a turn comes to: the unit after it, and what to do about it."""

    unit: Unit
    effects: tuple[Effect, ...]
