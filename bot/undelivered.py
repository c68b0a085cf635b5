"""Messages that do not arrive: what a person decides of them, each decision once.

Such are those that the gateway refused for good (`sb:out:dead`), and those that have waited longer
than WAITED. Tried again, a message goes to the end of its phone's list, one round higher: whoever
decides names the round that was seen, so that a decision taken twice is one. A message that a
worker is sending at that moment may go out although it was let go, or twice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import cast

import msgspec
from redis import Redis

from bot.leases import Op, put_new_op
from bot.message import Message
from bot.outbox import DEAD, DUE, TRIES, Dead, Outgoing, promised, queue, text_of

WAITED = timedelta(hours=1)  # a gateway's own hiccup is over by then: somebody should look
MOST_READ = 500  # phones whose lists are read in one round trip

# ARGV: the message's id, what was seen of it, then commands as JSON.
EXHUME = """
if redis.call('HGET', KEYS[1], ARGV[1]) ~= ARGV[2] then return 0 end
redis.call('HDEL', KEYS[1], ARGV[1])
for _, op in ipairs(cjson.decode(ARGV[3])) do redis.call(unpack(op)) end
return 1
"""

# The failures in a row were those of the head: once it is out of the way the next one is due.
# ARGV: phone, the item as it was seen, now, then commands as JSON.
WITHDRAW = """
local head = redis.call('LINDEX', KEYS[1], 0) == ARGV[2]
if redis.call('LREM', KEYS[1], 1, ARGV[2]) == 0 then return 0 end
for _, op in ipairs(cjson.decode(ARGV[4])) do redis.call(unpack(op)) end
if head then redis.call('HDEL', KEYS[3], ARGV[1]) end
if redis.call('EXISTS', KEYS[1]) == 0 then
  redis.call('ZREM', KEYS[2], ARGV[1])
  redis.call('HDEL', KEYS[2] .. ':since', ARGV[1])
elseif head then
  redis.call('ZADD', KEYS[2], ARGV[3], ARGV[1])
end
return 1
"""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message in its phone's list. *raw* is it as it lies there."""

    item: Outgoing
    raw: str


def is_late(item: Outgoing, now: datetime) -> bool:
    """Has *item* waited so long that somebody should look?"""
    return now - item.at > WAITED


class Undelivered:
    """The messages of one Redis that do not arrive."""

    def __init__(self, redis: Redis) -> None:
        self.redis = redis
        self._exhume = redis.register_script(EXHUME)
        self._withdraw = redis.register_script(WITHDRAW)

    def dead(self) -> list[Dead]:
        """What the gateway refused for good, the last first."""
        found = cast("list[bytes]", self.redis.hvals(DEAD))
        items = [msgspec.json.decode(raw, type=Dead) for raw in found]
        return sorted(items, key=lambda d: (d.at, d.item.id), reverse=True)

    def waiting(self) -> list[Outgoing]:
        """All that waits to be sent, the longest first."""
        return sorted((w.item for w in self._lists()), key=lambda item: (item.at, item.id))

    def _lists(self) -> Iterator[Waiting]:
        phones = cast("list[bytes]", self.redis.zrange(DUE, 0, -1))
        for start in range(0, len(phones), MOST_READ):
            pipe = self.redis.pipeline(transaction=False)
            for phone in phones[start : start + MOST_READ]:
                pipe.lrange(queue(phone.decode()), 0, -1)
            for raws in pipe.execute():
                for raw in raws:
                    yield Waiting(msgspec.json.decode(raw, type=Outgoing), raw.decode())

    def find(self, item_id: str, now: datetime) -> Outgoing | None:
        """The message *item_id*, if it is one of these."""
        raw = cast("bytes | None", self.redis.hget(DEAD, item_id))
        if raw is not None:
            return msgspec.json.decode(raw, type=Dead).item
        found = (item for item in self.waiting() if item.id == item_id)
        return next((item for item in found if is_late(item, now)), None)

    def retry(self, item_id: str, again: int, now: datetime) -> bool:
        """Put the message to the end of its phone's list.

        *again* is the round that it was seen in. False if it is not there any more, or that was
        done already.
        """
        return self._decide(item_id, again, now, retried=True)

    def let_go(self, item_id: str, again: int, now: datetime) -> bool:
        """Take the message away for good. False as with `retry`."""
        return self._decide(item_id, again, now, retried=False)

    def _decide(self, item_id: str, again: int, now: datetime, *, retried: bool) -> bool:
        raw = cast("bytes | None", self.redis.hget(DEAD, item_id))
        if raw is not None:
            item = msgspec.json.decode(raw, type=Dead).item
            then = _ops(item, now, retried=retried)
            return item.again == again and bool(
                self._exhume([DEAD], [item_id, raw.decode(), text_of(then)]))  # fmt: skip
        found = next((w for w in self._lists() if w.item.id == item_id), None)
        if found is None or found.item.again != again or not is_late(found.item, now):
            return False
        phone, then = found.item.phone, _ops(found.item, now, retried=retried)
        words = [phone, found.raw, repr(now.timestamp()), text_of(then)]
        return bool(self._withdraw([queue(phone), DUE, TRIES], words))


def _ops(item: Outgoing, now: datetime, *, retried: bool) -> list[Op]:
    moment = now.timestamp()
    if not retried:
        return promised(_let_go(item), moment)
    once_more = replace(item, again=item.again + 1)
    put = ["RPUSH", queue(item.phone), text_of(once_more)]
    return [put, *put_new_op(DUE, item.phone, repr(moment)), *promised(once_more.record, moment)]


def _let_go(item: Outgoing) -> Message:
    return replace(item.record, state="let go")
