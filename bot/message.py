"""What became of each text to somebody in the register: a record with neither phone nor words."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, get_args

MessageState = Literal["queued", "sent", "delivered", "failed", "refused", "let go"]
STATES: tuple[MessageState, ...] = get_args(MessageState)

# What a state can follow has a lower number. A message that is tried again begins anew, one round
# higher (`again`).
_RANK = {"queued": 0, "sent": 1, "refused": 1, "failed": 2, "delivered": 3, "let go": 4}
_ROUND = 8  # more than the highest rank

MOST_REASON = 120  # characters of the gateway's word
_NUMBER = re.compile(r"\+?\d(?:[ .()/-]{0,2}\d){6,}")  # long enough to be somebody's phone


@dataclass(frozen=True, slots=True)
class Message:
    """One SMS. *site* is the page of the register that it was written for, *about* a batch or an
    alert, *person* whose phone it went to. *at* is when it was written, *sent_at* when the gateway
    took it. *tries* counts how often it was handed over, *again* how often somebody had it tried
    once more."""

    id: str
    site: str
    district: str
    about: str
    kind: str
    person: str
    at: datetime
    segments: int
    state: MessageState = "queued"
    sent_at: datetime | None = None
    reason: str = ""
    tries: int = 0
    again: int = 0

    @property
    def version(self) -> int:
        """Grows with every change of state."""
        return _ROUND * self.again + _RANK[self.state]


def record_id(message_id: str) -> str:
    """The id under which the message *message_id* is on record: short, whatever it was made from.

    96 bits of SHA-256: two of a billion messages share one with a chance of 1 in 10^11.
    """
    return hashlib.sha256(message_id.encode()).hexdigest()[:24]


def without_numbers(text: str) -> str:
    """*text* with nothing in it that could be dialled."""
    return _NUMBER.sub("[number]", text)


def reason_of(word: str) -> str:
    """A gateway's word as it may be kept."""
    return without_numbers(word)[:MOST_REASON]
