"""Writes records of messages, newest state only, as `recording` writes batches."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection

from bot.keeping import keep_newest
from bot.message import MOST_REASON, Message, reason_of
from bot.recording import KEY_CHARACTERS, is_key
from bot.tables import messages

MOST_SEGMENTS = 255  # what one SMS can be put together from

Row = dict[str, Any]


def check_message(message: Message) -> None:
    """Raise ValueError with a plain sentence if *message* cannot be what it says."""
    keys = [message.id, message.site, message.kind]
    keys += [k for k in (message.district, message.about, message.person) if k]
    if not all(map(is_key, keys)):
        raise ValueError(f"message {message.id[:KEY_CHARACTERS]!r}: every id has 1 to "
                         f"{KEY_CHARACTERS} printable characters")
    if len(message.reason) > MOST_REASON:
        raise ValueError(f"message {message.id}: a reason has at most {MOST_REASON} characters")
    if any(t.tzinfo is None for t in (message.at, message.sent_at) if t):
        raise ValueError(f"message {message.id}: every time carries its zone")
    if not 1 <= message.segments <= MOST_SEGMENTS:
        raise ValueError(f"message {message.id}: it has 1 to {MOST_SEGMENTS} segments")
    if min(message.tries, message.again) < 0:
        raise ValueError(f"message {message.id}: tries and rounds count from 0")


def record_messages(connection: Connection, told: Sequence[Message]) -> int:
    """Write *told* (already checked, one transaction). Returns how many were newer."""
    return keep_newest(connection, messages, map(_message_row, told))


def _message_row(message: Message) -> Row:
    return {
        "id": message.id, "site": message.site, "district": message.district,
        "about": message.about, "kind": message.kind, "person": message.person,
        "at": message.at, "segments": message.segments, "sent_at": message.sent_at,
        "state": message.state, "reason": reason_of(message.reason), "tries": message.tries,
        "version": message.version,
    }
