"""Where a code leads: from what a stranger sends to the facility that invited her.

`sb:join:<code>` names the site of a code that was given and not used up; the commit of that site's
turns writes it and takes it away. `sb:guess:<phone>` counts what a phone sent in vain.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from typing import Literal, NamedTuple

from redis import Redis

from bot.amend import CODE_HOURS, CODE_LENGTH, CODE_LETTERS, Invite
from bot.leases import Op

MOST_GUESSES = 5  # of one phone in a day: a slip of the thumb, not a search
GUESS_SECONDS = 86400

# A repeat of the same message is no second guess.
FIND = """
local tries = tonumber(redis.call('GET', KEYS[2]) or '0')
if tries >= tonumber(ARGV[1]) then return {'closed', ''} end
local site = redis.call('GET', KEYS[1])
if site then return {'site', site} end
if redis.call('SET', KEYS[3], '', 'NX', 'EX', ARGV[2]) then
  redis.call('INCR', KEYS[2])
  if tries == 0 then redis.call('EXPIRE', KEYS[2], ARGV[2]) end
end
return {'wrong', ''}
"""


class Found(NamedTuple):
    """What a code led to: a *site*, or nothing, or the phone has guessed too often to be told."""

    how: Literal["site", "wrong", "closed"]
    site: str


class Joins:
    """Looks codes up. *redis* answers in bytes."""

    def __init__(self, redis: Redis) -> None:
        self._find = redis.register_script(FIND)

    def find(self, code: str, phone: str, event_id: str) -> Found:
        """Where *code* leads *phone*; one that leads nowhere is a guess, counted once an event."""
        keys = [f"sb:join:{code}", f"sb:guess:{phone}", f"sb:guessed:{event_id}"]
        how, site = self._find(keys, [MOST_GUESSES, GUESS_SECONDS])
        return Found(how.decode(), site.decode())


def join_ops(site_id: str, old: Mapping[str, Invite], new: Mapping[str, Invite]) -> list[Op]:
    """The commands that let new codes lead to *site_id*, and old ones nowhere."""
    gone = [["DEL", f"sb:join:{code}"] for code in old.keys() - new.keys()]
    seconds = str(CODE_HOURS * 3600)
    given = [["SET", f"sb:join:{c}", site_id, "EX", seconds] for c in new.keys() - old.keys()]
    return gone + given


def new_code() -> str:
    """A code that nobody can guess."""
    return "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
