"""Messages promised and not yet sent: one list a phone, so that each phone hears in order.

`sb:out:<phone>` holds the items, `sb:out:due` when each phone is tried next, `sb:out:tries` how
often it failed in a row, `sb:out:dead` what the gateway will never take. An item leaves its list
only after the gateway answered, and only while it is still at the head: two workers that hold
the same phone may send a message twice, but never lose or jump over one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import msgspec
from redis import Redis

from bot.leases import Leases, Op, put_new_op, score

DUE = "sb:out:due"
TRIES = f"{DUE}:tries"
DEAD = "sb:out:dead"

LEASE_SECONDS = 60.0

SENT_SECONDS = 3 * 86400  # receipts come within three days or not at all

HEAD = """
local head = redis.call('LINDEX', KEYS[1], 0)
if head then
  redis.call('ZADD', KEYS[2], 'XX', ARGV[2], ARGV[1])
else
  redis.call('ZREM', KEYS[2], ARGV[1])
  redis.call('HDEL', KEYS[2] .. ':since', ARGV[1])
end
return head
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
    """One SMS to be sent. *id* is made from the event, so a repeated turn makes the same one."""

    id: str
    phone: str
    text: str
    kind: str
    at: datetime
    site: str = ""
    batch: str = ""


@dataclass(frozen=True, slots=True)
class Sent:
    """What a receipt for a message needs to find its batch again."""

    phone: str
    site: str
    batch: str
    kind: str


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
        self.due = Leases(redis, DUE)
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
        raw = self._head([queue(phone), DUE], [phone, repr(now + LEASE_SECONDS)])
        return None if raw is None else msgspec.json.decode(raw, type=Outgoing)

    def settle(self, item: Outgoing, message_id: str, now: float) -> bool:
        """*item* was sent as *message_id* ("" if the gateway gave none, so no receipt can come).

        False if another worker settled it first; then nothing is changed.
        """
        sent = Sent(phone=item.phone, site=item.site, batch=item.batch, kind=item.kind)
        remember = ["SET", f"sb:sent:{message_id}", text_of(sent), "EX", str(SENT_SECONDS)]
        return self._take(item, now, [remember] if message_id else [])

    def bury(self, item: Outgoing, reason: str, at: datetime) -> bool:
        """*item* will never go. False if another worker buried it first."""
        dead = text_of(Dead(item=item, reason=reason, at=at))
        return self._take(item, at.timestamp(), [["HSET", DEAD, item.id, dead]])

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
