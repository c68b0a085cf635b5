"""The desk's trail: who did what, when, newest first, of one's own district or of all."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, abort, g, render_template, request

from bot import audit
from bot.accounts import EVERYWHERE
from bot.audit import Line
from bot.desk_rows import LABELS, NAMES
from bot.desk_scope import Desk

MOST_LINES = 60
MOST_VALUE = 80  # characters of one value
MOST_FACTS = 14  # of one line; a facility has so many cells

MAY_NOT = "The trail is for those who answer for a district or more."
WHAT: Mapping[str, str] = {
    "login": "logged in", "logout": "logged out", "login.refused": "log-in refused",
    "login.locked": "closed for a while after wrong log-ins", "login.code_sent": "code sent",
    "login.code_wrong": "a wrong code", "account.made": "account made",
    "account.disabled": "account closed", "account.enabled": "account opened again",
    "account.password": "another password", "message.retried": "message tried again",
    "message.let_go": "message let go", "register.enrol": "person enrolled by text",
    "register.number": "another phone by text", "register.language": "language by text",
    "register.shift": "shift by text", "register.role": "role by text",
    "register.remove": "person removed by text", "register.new_set": "new set by text",
    "register.retire": "set retired by text", "token.made": "token for a system made",
    "token.revoked": "token revoked",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Told:
    """A line in words. *when* is UTC: the trail is of several places."""

    when: str
    who: str
    what: str
    about: str
    facts: tuple[str, ...]


def trail(desk: Desk) -> Blueprint:
    """The page `/desk/audit`, to stand under the desk's own."""
    pages = Blueprint("trail", __name__, url_prefix="/audit")

    def shown() -> str:
        """A page of the trail."""
        account = g.account
        if account.role == "in_charge":
            abort(403, MAY_NOT)
        district = "" if account.place == EVERYWHERE else account.place
        after = request.args.get("after", "")
        if after and not (after.isascii() and after.isdecimal() and len(after) < 18):
            abort(400, "This is not a page of the trail: begin with the first.")
        with desk.store.database.read() as connection:
            found = audit.lines(connection, district=district, limit=MOST_LINES + 1,
                                after=int(after) if after else None)  # fmt: skip
        lines = found[:MOST_LINES]
        return render_template("desk_trail.html", lines=[told(line) for line in lines],
                               after=lines[-1].id if found[MOST_LINES:] else "")  # fmt: skip

    pages.add_url_rule("", "shown", shown)
    return pages


def told(line: Line) -> Told:
    """*line* in words."""
    side = {"added": 1, "removed": 0}.get(line.what.rpartition(".")[2])
    return Told(f"{line.at.day} {line.at:%b %Y %H:%M}", line.who or "nobody known",
                _what(line.what), line.about, tuple(_facts(line.detail, side)))  # fmt: skip


def _what(what: str) -> str:
    first, _, rest = what.partition(".")
    table, _, kind = rest.partition(".")
    if first == "register" and table in NAMES and kind:
        return f"{NAMES[table][1]} {kind}"
    return WHAT.get(what, what.replace(".", " ").replace("_", " "))


def _facts(detail: Mapping[str, Any], side: int | None) -> Iterator[str]:
    """Each fact; of a change before and after, of a row that came or went that *side* alone."""
    for name, value in list(detail.items())[:MOST_FACTS]:
        label = LABELS.get(name, (name.replace("_", " "), ""))[0]
        if isinstance(value, list) and len(value) == 2:
            pair = [_short(v) for v in value]
            yield f"{label}: {pair[side]}" if side is not None else (
                f"{label}: {pair[0]} \N{RIGHTWARDS ARROW} {pair[1]}")  # fmt: skip
        elif value not in ("", None):
            yield f"{label}: {_short(value)}"


def _short(value: Any) -> str:
    text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    return (text if len(text) <= MOST_VALUE else f"{text[:MOST_VALUE]}...") or "nothing"
