"""What every page of the desk reads from, kept to what whoever is logged in may see.

A page asks the store for the register once; the conversations (Redis) may not answer, and then the
page says so and shows what the store knows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec
from flask import abort, g
from redis.exceptions import RedisError

from bot.accounts import sees
from bot.desk_said import Teller
from bot.desk_words import FIRST, TRAINING
from bot.effects import Post
from bot.model import Standing, Unit
from bot.rules import Rules
from bot.sessions import Sessions
from bot.site import Site
from bot.store import Store
from bot.wording import Wording
from flows.protocol import Protocol

# What another version wrote and this one cannot read is no answer either: then the store is asked.
NO_ANSWER = (RedisError, msgspec.MsgspecError)
NO_FACILITY = "There is no such facility in the register."


@dataclass(frozen=True, slots=True)
class Desk:
    """The store, the conversations, the rules in force, the texts, the time. *put* promises a
    letter to a facility; *person* is the register's id behind an account, "" for none."""

    store: Store
    sessions: Sessions
    rules: Rules
    wording: Wording
    clock: Callable[[], datetime]
    put: Callable[[Post], None]
    person: Callable[[str], str]

    def sites(self) -> list[Site]:
        """The facilities that whoever asks may see."""
        if "desk_sites" not in g:
            found = self.store.load_register().sites()
            g.desk_sites = [s for s in found if s.methods and sees(g.account, s.district, s.id)]
        sites: list[Site] = g.desk_sites
        return sites

    def site(self, facility: str) -> Site:
        """The facility's page of the register; 404 for one that is not there for her."""
        found = next((s for s in self.sites() if s.id == facility), None)
        if found is None:
            abort(404, NO_FACILITY)
        return found

    def head(self, protocol: Protocol) -> dict[str, Any]:
        """What every sheet carries: protocol, warnings."""
        training = TRAINING
        if protocol.confirmed:
            training = f"Confirmed by {protocol.confirmed_by} on {protocol.confirmed_on}."
        return {"protocol": protocol, "training": training, "first": FIRST}

    def teller(self) -> Teller:
        """Who tells it, in words: with names for those who may know them."""
        named = g.account.role != "programme"
        return Teller(self.wording, self.rules.alerts, self.clock(), named)

    def standings(self, sites: list[Site]) -> Mapping[str, Standing] | None:
        """What each of *sites* shows now; None where the conversations do not answer."""
        mine = {s.id: s.district for s in sites}
        try:
            boards = [self.sessions.board(d) for d in sorted(set(mine.values()))]
        except NO_ANSWER:
            return None
        # A facility that moved to another district leaves its last word on the old board.
        districts = zip(sorted(set(mine.values())), boards, strict=True)
        return {i: shown for d, board in districts for i, shown in board.items()
                if mine.get(i) == d}  # fmt: skip

    def unit(self, facility: str) -> Unit | None:
        """All that *facility* has in Redis; None where it does not answer."""
        try:
            return self.sessions.unit(facility)
        except NO_ANSWER:
            return None
