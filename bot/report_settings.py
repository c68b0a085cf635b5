"""Where monthly reports go, as the settings say it: read and checked, no secret in any problem."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from urllib.parse import SplitResult, unquote, urlsplit

LATEST_DAY = 28  # every month has it
PORTS = {"smtp": 587, "smtps": 465}
HERE = frozenset({"localhost", "127.0.0.1", "::1"})  # no network lies between: no encryption asked

_ADDRESS = re.compile(r"[^\s@<>,;:\"()\[\]]+@[A-Za-z0-9.-]+")


@dataclass(frozen=True, slots=True)
class MailServer:
    """Who takes our mail. *scheme* smtp (with STARTTLS) or smtps; no *user*: no log-in."""

    scheme: str
    host: str
    port: int
    user: str = ""
    sender: str = ""
    password: str = field(default="", repr=False)

    @property
    def is_here(self) -> bool:
        """Whether it is this machine itself."""
        return self.host in HERE


def addresses(text: str) -> tuple[str, ...]:
    """Mail addresses by commas; ValueError says what is wrong, and quotes none."""
    found = [one.strip() for one in text.split(",") if one.strip()]
    for number, one in enumerate(found, 1):
        if not (one.isascii() and _ADDRESS.fullmatch(one)):
            raise ValueError(f"holds no mail address as entry {number}")
    return tuple(dict.fromkeys(found))


def mail_server(url: str, sender: str, password: str) -> MailServer:
    """The server of an address such as smtp://user@host:587; ValueError says what is wrong with
    it. *sender* is from whom our mail is: if empty, the user, who is then a mail address."""
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise ValueError("cannot be read") from None
    _check(parts, password)
    user, host = unquote(parts.username or ""), parts.hostname or ""
    sender = sender or (user if "@" in user else f"{user or 'soakbell'}@{host}")
    if len(addresses(sender)) != 1:
        raise ValueError("does not say from whom mail is: set SOAKBELL_MAIL_FROM")
    return MailServer(parts.scheme, host, port or PORTS[parts.scheme], user, sender, password)


def _check(parts: SplitResult, password: str) -> None:
    if parts.scheme not in PORTS or not parts.hostname:
        raise ValueError("must be an address that begins with smtp:// or smtps://")
    if parts.password is not None:
        raise ValueError("must hold no password: SOAKBELL_MAIL_PASSWORD does")
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise ValueError("must hold a user, a host and a port only")
    if bool(parts.username) != bool(password):
        raise ValueError("needs a user and SOAKBELL_MAIL_PASSWORD both, or neither")
