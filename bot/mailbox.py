"""The messages that the demo's own gateway took, kept for the phones of the handset page.

Keys: `sb:demo:serial` counts messages over all phones and makes their ids; `sb:demo:numbers` is a
hash, phone -> messages ever put there; `sb:demo:inbox:{phone}` a sorted set scored by that number;
`sb:demo:off` a hash of the phones that are switched off; `sb:demo:lost` a hash, phone -> messages
that found it so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

import msgspec
from redis import Redis

KEPT = 200  # messages a phone; a guided batch costs 22, so this is a long day's training

SERIAL = "sb:demo:serial"
NUMBERS = "sb:demo:numbers"
OFF = "sb:demo:off"
LOST = "sb:demo:lost"

# One script, so that a reader who asks for all after n never meets n+1 before n.
PUT = """
local serial = redis.call('INCR', KEYS[1])
local n = redis.call('HINCRBY', KEYS[2], ARGV[1], 1)
redis.call('ZADD', KEYS[3], n, n .. ' ' .. serial .. ' ' .. ARGV[2])
redis.call('ZREMRANGEBYRANK', KEYS[3], 0, -1 - tonumber(ARGV[3]))
return serial
"""


@dataclass(frozen=True, slots=True)
class Message:
    """One SMS as it lies on a phone. *n* counts up from 1 on each phone, without gaps."""

    n: int
    id: str
    phone: str
    text: str
    at: datetime


class Light(NamedTuple):
    """What a phone shows from outside: messages ever come, whether it is off, messages missed."""

    newest: int
    off: bool
    lost: int


class _Body(NamedTuple):
    text: str
    at: datetime


def _message_id(serial: int) -> str:
    return f"demo-{serial}"


def _inbox(phone: str) -> str:
    return f"sb:demo:inbox:{phone}"


class Mailbox:
    """The demo's phones. *redis* may decode its answers or not."""

    def __init__(self, redis: Redis) -> None:
        # Any, because the client's stubs cannot tell a plain client's answers from promises.
        self._redis: Any = redis
        self._put = self._redis.register_script(PUT)

    def put(self, phone: str, text: str, at: datetime) -> str:
        """Lay a message on *phone*, drop what is past the last 200, and return the message's id."""
        if at.tzinfo is None:
            raise ValueError("the time of a message must carry its zone")
        body = msgspec.json.encode(_Body(text, at))
        serial = self._put(keys=[SERIAL, NUMBERS, _inbox(phone)], args=[phone, body, KEPT])
        return _message_id(int(serial))

    def messages(self, phone: str, after: int = 0) -> list[Message]:
        """The kept messages of *phone* numbered above *after*, oldest first."""
        rows = self._redis.zrangebyscore(_inbox(phone), f"({after}", "+inf")
        return [_read(phone, row) for row in rows]

    def lose(self, phone: str) -> str:
        """Count a message that found *phone* switched off, and return that message's id."""
        self._redis.hincrby(LOST, phone, 1)
        return _message_id(int(self._redis.incr(SERIAL)))

    def switch(self, phone: str, *, off: bool) -> None:
        """Switch *phone* off, or on again. What came meanwhile stays lost."""
        if off:
            self._redis.hset(OFF, phone, 1)
        else:
            self._redis.hdel(OFF, phone)

    def is_off(self, phone: str) -> bool:
        return bool(self._redis.hexists(OFF, phone))

    def lights(self, phones: Sequence[str]) -> list[Light]:
        """What each of *phones* shows from outside, in the same order, in one round trip."""
        if not phones:
            return []
        pipe = self._redis.pipeline(transaction=False)
        for key in (NUMBERS, OFF, LOST):
            pipe.hmget(key, phones)
        rows = zip(*pipe.execute(), strict=True)
        return [Light(int(n or 0), off is not None, int(lost or 0)) for n, off, lost in rows]


def _read(phone: str, row: bytes | str) -> Message:
    raw = row.encode() if isinstance(row, str) else row
    n, serial, packed = raw.split(b" ", 2)
    body = msgspec.json.decode(packed, type=_Body)
    return Message(int(n), _message_id(int(serial)), phone, body.text, body.at)
