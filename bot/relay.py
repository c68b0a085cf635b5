"""Records on to another Soakbell: POST /api/v1/batches, /api/v1/sets for lone conditions,
/api/v1/alerts, /api/v1/messages, /api/v1/checks, /api/v1/gaps and /api/v1/mixes.

The batch's id is the key, and so are those of the others: posting again what the other side already
has changes nothing there. So whenever it is not certain that all was taken, it is posted again.
Whatever goes wrong leaves here as one of two errors:

StoreDown     try all again later: no answer, a broken one, "not now", or a token not accepted
StoreRefused  one of these records cannot be taken as it is: post them one by one

No error's text holds the token or anything of a record; a record refused alone is logged by id.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol
from urllib.parse import urlsplit

import msgspec
import requests
from urllib3.exceptions import HTTPError

from bot.effects import Checked, Conditions, Gap, Mixed, Push, Pushed, Raised
from bot.errors import ConfigError, StoreDown, StoreRefused
from bot.gateway import open_session
from bot.message import Message

__all__ = ["Both", "Relay"]

AT_ONCE = 100  # in one request: well below what the other side takes at once

# What says nothing of the record itself: the token, the address, or the moment is wrong.
NOT_NOW = frozenset({401, 404, 405, 408, 425, 429})

# How the log calls what has an id of its own.
WORDS = {Message: "message", Checked: "check", Gap: "gap", Mixed: "solution"}

log = logging.getLogger(__name__)


class _Taken(msgspec.Struct):
    """The other side's answer. One of another form comes from whoever stands in between."""

    received: int


@dataclass(frozen=True)
class Relay:
    """Another Soakbell at *base_url*. *timeouts* are seconds to connect and between bytes read."""

    base_url: str
    token: str = field(repr=False)
    session: Callable[[], requests.Session] = open_session
    timeouts: tuple[float, float] = (5.0, 20.0)
    _local: threading.local = field(default_factory=threading.local, init=False, repr=False)

    def __post_init__(self) -> None:
        address = urlsplit(self.base_url)
        if address.username or address.password or address.query or address.fragment:
            raise ConfigError("the other Soakbell's address holds no user, query or fragment")
        if not (self.token.isascii() and self.token.isprintable()):
            raise ConfigError("the token for the other Soakbell cannot stand in a header")

    def record(self, pushes: Sequence[Pushed]) -> None:
        """Hand over *pushes*, batches first: a condition may need the batch that proves it."""
        self._post("batches", [p for p in pushes if isinstance(p, Push)])
        self._post("sets", [p for p in pushes if isinstance(p, Conditions)])
        self._post("alerts", [p for p in pushes if isinstance(p, Raised)])
        self._post("messages", [p for p in pushes if isinstance(p, Message)])
        self._post("checks", [p for p in pushes if isinstance(p, Checked)])
        self._post("gaps", [p for p in pushes if isinstance(p, Gap)])
        self._post("mixes", [p for p in pushes if isinstance(p, Mixed)])

    def _post(self, what: str, records: Sequence[Pushed]) -> None:
        for start in range(0, len(records), AT_ONCE):
            self._post_some(what, records[start : start + AT_ONCE])

    def _post_some(self, what: str, records: Sequence[Pushed]) -> None:
        try:
            response = self._borrowed().post(
                f"{self.base_url.rstrip('/')}/api/v1/{what}",
                data=msgspec.json.encode(records),
                headers={
                    "Authorization": f"Bearer {self.token}",
                    "Content-Type": "application/json",
                },
                timeout=self.timeouts,
                # A redirect would turn the POST into a GET and carry the token elsewhere.
                allow_redirects=False,
            )
        except (requests.RequestException, HTTPError) as exc:
            reason = type(exc).__name__
            raise StoreDown(f"no answer from the other Soakbell ({reason})") from None
        _judge(response, records)

    def _borrowed(self) -> requests.Session:
        """This thread's session: its connection is kept from one push to the next."""
        if not hasattr(self._local, "session"):
            self._local.session = self.session()
        found: requests.Session = self._local.session
        return found


def _judge(response: requests.Response, records: Sequence[Pushed]) -> None:
    status = response.status_code
    if 400 <= status < 500 and status not in _not_now(records):
        if len(records) == 1:
            log.error("the other Soakbell refused %s (HTTP %d)", _name(records[0]), status)
        raise StoreRefused(f"the other Soakbell refused a record (HTTP {status})")
    if status != 200:
        raise StoreDown(f"the other Soakbell does not take records now (HTTP {status})")
    try:
        received = msgspec.json.decode(response.content, type=_Taken).received
    except msgspec.DecodeError:
        received = -1
    if received != len(records):
        raise StoreDown("what answered for the other Soakbell did not say that it took all")


def _not_now(records: Sequence[Pushed]) -> frozenset[int]:
    """An older Soakbell has no address for alerts, messages, checks, gaps, solutions: they hold up
    nothing else."""
    newer = isinstance(records[0], Raised | Message | Checked | Gap | Mixed)
    return NOT_NOW - {404} if newer else NOT_NOW


def _name(record: Pushed) -> str:
    if isinstance(record, Push):
        return f"batch {record.batch.id}"
    if isinstance(record, Raised):
        return f"alert {record.alert.id}"
    if isinstance(record, Conditions):
        return f"set {', '.join(s.id for s in record.states)}"
    return f"{WORDS[type(record)]} {record.id}"


class Recorder(Protocol):
    """Whoever takes records, all of them or with an error."""

    def record(self, pushes: list[Pushed], /) -> object: ...


@dataclass(frozen=True, slots=True)
class Both:
    """Records here, then there. What either did not take is pushed again, to both."""

    here: Recorder
    there: Recorder

    def record(self, pushes: list[Pushed]) -> None:
        self.here.record(pushes)
        self.there.record(pushes)
