"""Messages promised and not yet sent: one list a phone, so that each phone hears in order.

`sb:out:<phone>` holds the items, `sb:out:due` when each phone is tried next, `sb:out:tries` how
often it failed in a row, `sb:out:dead` what the gateway will never take. An item leaves its list
only after the gateway answered, and only while it is still at the head: two workers that hold
the same phone may send a message twice, but never lose or jump over one.

What somebody at the desk decides of a message that does not arrive is `bot.undelivered`. What
became of an item is promised to the store in the script that takes it off (`bot.message`), except
for what goes to nobody in the register: an answer to a stranger, a code of the desk.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import msgspec
from redis import Redis

from bot.leases import Leases, Op, put_new_op, score
from bot.message import Message, reason_of, record_id
from bot.pushes import message_ops

DUE = "sb:out:due"
TRIES = f"{DUE}:tries"
DEAD = "sb:out:dead"

LEASE_SECONDS = 60.0

# Seconds before the next try, by failures in a row; the last one repeats. A bell may be among what
# waits: when the gateway is back it must not wait for long.
DELAYS = (5.0, 15.0, 30.0, 60.0)

SENT_SECONDS = 3 * 86400  # receipts come within three days or not at all

HEAD = """
local head = redis.call('LINDEX', KEYS[1], 0)
if head then
  redis.call('ZADD', KEYS[2], 'XX', ARGV[2], ARGV[1])
else
  redis.call('ZREM', KEYS[2], ARGV[1])
  redis.call('HDEL', KEYS[2] .. ':since', ARGV[1])
end
return {head, redis.call('HGET', KEYS[3], ARGV[1])}
"""

# Takes the item off only if it is still the head. ARGV: phone, item id, score for what follows,
# then commands as JSON (what to remember of the item).
SETTLE = """
local head = redis.call('LINDEX', KEYS[1], 0)
if not head or cjson.decode(head).id ~= ARGV[2] then return 0 end
redis.call('LPOP', KEYS[1])
redis.call('HDEL', KEYS[3], ARGV[1])
redis.call('HDEL', KEYS[2] .. ':since', ARGV[1])
if redis.call('EXISTS', KEYS[1]) == 1 then
  redis.call('ZADD', KEYS[2], ARGV[3], ARGV[1])
else
  redis.call('ZREM', KEYS[2], ARGV[1])
end
for _, op in ipairs(cjson.decode(ARGV[4])) do redis.call(unpack(op)) end
return 1
"""

ONCE = """
if not redis.call('SET', KEYS[1], '1', 'NX', 'EX', ARGV[1]) then return 0 end
for _, op in ipairs(cjson.decode(ARGV[2])) do redis.call(unpack(op)) end
return 1
"""


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One SMS to be sent. *id* is made from the event, so a repeated turn makes the same one.

    *batch* is what it is about, a batch or an alert; *person* the register id of whose *phone* it
    is, *district* that of *site*. *tries*: how often it was handed over in vain; *again*: how often
    somebody had it tried once more.
    """

    id: str
    phone: str
    text: str
    kind: str
    at: datetime
    site: str = ""
    batch: str = ""
    person: str = ""
    district: str = ""
    segments: int = 1
    tries: int = 0
    again: int = 0

    @property
    def record(self) -> Message:
        """It as it goes on record: queued."""
        return Message(
            id=record_id(self.id), site=self.site, district=self.district, about=self.batch,
            kind=self.kind, person=self.person, at=self.at, segments=self.segments,
            tries=self.tries, again=self.again,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sent:
    """What a receipt for a message needs to find its batch again, and its record."""

    phone: str
    site: str
    batch: str
    kind: str
    message: Message | None = None


@dataclass(frozen=True, slots=True)
class Dead:
    """A message that the gateway refused, with its reason, for a person to read."""

    item: Outgoing
    reason: str
    at: datetime


def queue(phone: str) -> str:
    """The key of a phone's list."""
    return f"sb:out:{phone}"


def text_of(value: object) -> str:
    """*value* as JSON text."""
    return msgspec.json.encode(value).decode()


def promised(message: Message, now: float) -> list[Op]:
    """The commands that promise *message* to the store; none if nobody in the register gets it."""
    return message_ops(message, repr(now)) if message.site else []


def outgoing_ops(item: Outgoing) -> list[Op]:
    """The commands that put *item* behind whatever its phone has still to hear."""
    return [
        ["RPUSH", queue(item.phone), text_of(item)],
        *put_new_op(DUE, item.phone, score(item.at)),
    ]


class Outbox:
    """The sending side. A phone is leased, its head sent, then settled, postponed or buried."""

    def __init__(self, redis: Redis) -> None:
        self.redis = redis
        self.due = Leases(redis, DUE, DELAYS)
        self._head = redis.register_script(HEAD)
        self._settle = redis.register_script(SETTLE)
        self._once = redis.register_script(ONCE)

    def put_once(self, item: Outgoing, guard: str, seconds: int) -> bool:
        """Queue *item* unless *guard* was used within *seconds*; says whether it was queued."""
        return bool(self._once([guard], [seconds, text_of(outgoing_ops(item))]))

    def lease(self, now: float, limit: int) -> list[str]:
        """Up to *limit* phones that have something to hear at *now*."""
        return self.due.lease(now, LEASE_SECONDS, limit)

    def head(self, phone: str, now: float) -> Outgoing | None:
        """The next message for *phone*, its lease renewed; None when all is sent."""
        keys = [queue(phone), DUE, TRIES]
        raw, failed = self._head(keys, [phone, repr(now + LEASE_SECONDS)])
        if raw is None:
            return None
        item = msgspec.json.decode(raw, type=Outgoing)
        # Whatever failed in a row for this phone was this message: nothing goes before the head.
        return replace(item, tries=item.tries + int(failed or 0))

    def settle(self, item: Outgoing, message_id: str, now: float) -> bool:
        """*item* was sent as *message_id* ("" if the gateway gave none, so no receipt can come).

        False if another worker settled it first; then nothing is changed.
        """
        message = replace(item.record, state="sent", tries=item.tries + 1,
                          sent_at=datetime.fromtimestamp(now, UTC))  # fmt: skip
        sent = Sent(item.phone, item.site, item.batch, item.kind, message if item.site else None)
        remember = ["SET", f"sb:sent:{message_id}", text_of(sent), "EX", str(SENT_SECONDS)]
        then = [remember] if message_id else []
        return self._take(item, now, then + promised(message, now))

    def bury(self, item: Outgoing, reason: str, at: datetime) -> bool:
        """*item* will never go. False if another worker buried it first."""
        item, now = replace(item, tries=item.tries + 1), at.timestamp()
        dead = text_of(Dead(item=item, reason=reason_of(reason), at=at))
        refused = replace(item.record, state="refused", reason=reason_of(reason))
        return self._take(item, now, [["HSET", DEAD, item.id, dead], *promised(refused, now)])

    def _take(self, item: Outgoing, now: float, then: list[Op]) -> bool:
        keys = [queue(item.phone), DUE, TRIES]
        return bool(self._settle(keys, [item.phone, item.id, repr(now), text_of(then)]))

    def postpone(self, phone: str, now: float) -> int:
        """Try *phone* again later, later each time. Returns its failures in a row."""
        return self.due.defer(phone, now)

    def sent(self, message_id: str) -> Sent | None:
        """What was sent as *message_id*; None when it is not ours or too long ago."""
        raw = self.redis.get(f"sb:sent:{message_id}")
        return None if raw is None else msgspec.json.decode(raw, type=Sent)

    def dead(self) -> int:
        """How many messages were buried."""
        return self.redis.hlen(DEAD)

    def depth(self) -> int:
        """How many phones have something to hear."""
        return self.due.depth()

    def oldest(self, now: float) -> float:
        """Seconds that the phone longest due has waited."""
        return self.due.oldest(now)
