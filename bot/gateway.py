"""Messages out: one HTTP call to the SMS gateway, described by a `GatewayShape`.

This file and `relay.py` alone know `requests`. Whatever goes wrong leaves here as one of two
errors:

GatewayDown     try again later: no answer, a broken one, "not now", or credentials not accepted
GatewayRefused  this message will never go: tell someone

No error's text holds a phone number, the message or the key. That is why none is chained to its
cause: the texts from below may quote a header or an address.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, NamedTuple, cast

import msgspec
import requests
from requests.auth import HTTPBasicAuth
from urllib3.exceptions import HTTPError

from bot.config import Config
from bot.errors import ConfigError, GatewayDown, GatewayRefused
from bot.shape import SLOT, GatewayShape, read_shape

__all__ = ["Gateway", "GatewayShape", "Sent", "gateway_from", "open_session", "read_shape"]

# Bad credentials are the deployer's fault and never the message's: no description may bury it.
BAD_CREDENTIALS = frozenset({401, 403})
TOO_MANY = 429


class Sent(NamedTuple):
    """The gateway took a message. *message_id* is "" where it gave none; *cost* is in its words."""

    message_id: str
    cost: str


def open_session(proxy: str = "", ca: str = "") -> requests.Session:
    """A session that reads nothing from the environment: a proxy and a CA file are settings."""
    session = requests.Session()
    session.trust_env = False
    if proxy:
        session.proxies = {"http": proxy, "https": proxy}
    if ca:
        session.verify = ca
    return session


@dataclass(frozen=True)
class Gateway:
    """A gateway at *base_url*. *timeouts* are seconds to connect and between bytes read.

    Any number of threads may send at once: each borrows a session for the time of one call.
    """

    shape: GatewayShape
    base_url: str
    username: str = field(repr=False)
    api_key: str = field(repr=False)
    sender: str = ""
    session: Callable[[], requests.Session] = open_session
    timeouts: tuple[float, float] = (5.0, 20.0)
    _idle: deque[requests.Session] = field(default_factory=deque, init=False, repr=False)

    def __post_init__(self) -> None:
        for name, value in (("username", self.username), ("key", self.api_key)):
            # http.client would fail on these, quoting them, in the middle of a delivery.
            if not (value.isascii() and value.isprintable()):
                raise ConfigError(f"the gateway's {name} holds a character no header can carry")

    def send(self, phone: str, text: str) -> Sent:
        """Send *text* to *phone* (E.164). Raises GatewayDown or GatewayRefused, nothing else."""
        response = self._post(self._values(phone, text))
        self._judge_http(response.status_code)
        return self._judge_recipient(_recipient(response.content, self.shape.answer.recipients))

    def close(self) -> None:
        """Close the connections that are idle. The gateway can still be used afterwards."""
        while self._idle:
            self._idle.pop().close()

    def _values(self, phone: str, text: str) -> dict[str, str]:
        ours = {"username": self.username, "api_key": self.api_key, "sender": self.sender}
        return {**ours, "to": phone, "text": text}

    def _post(self, values: Mapping[str, str]) -> requests.Response:
        send = self.shape.send
        fields = _fill(send.fields, values)
        try:
            with self._borrowed() as session:
                return session.post(
                    self.base_url.rstrip("/") + send.path,
                    data=fields if send.body == "form" else None,
                    json=fields if send.body == "json" else None,
                    headers=_fill(send.headers, values),
                    auth=HTTPBasicAuth(self.username, self.api_key) if send.basic_auth else None,
                    timeout=self.timeouts,
                    # A redirect would turn the POST into a GET and carry the key elsewhere.
                    allow_redirects=False,
                )
        except UnicodeError:
            raise GatewayRefused("the text holds a character that cannot be sent") from None
        except (requests.RequestException, HTTPError) as exc:
            reason = type(exc).__name__
            raise GatewayDown(f"no answer from the gateway ({reason})") from None

    @contextmanager
    def _borrowed(self) -> Iterator[requests.Session]:
        try:
            session = self._idle.pop()
        except IndexError:
            session = self.session()
        try:
            yield session
        finally:
            self._idle.append(session)

    def _judge_http(self, status: int) -> None:
        if status in BAD_CREDENTIALS:
            raise GatewayDown(f"the gateway does not accept our username or key (HTTP {status})")
        if status == TOO_MANY:
            raise GatewayDown(f"the gateway has had too many messages (HTTP {status})")
        verdict = self.shape.answer.http.verdict(str(status))
        if verdict == "refused":
            raise GatewayRefused(f"the gateway refused the message (HTTP {status})")
        if verdict == "later":
            raise GatewayDown(f"the gateway cannot take the message now (HTTP {status})")

    def _judge_recipient(self, found: dict[str, Any]) -> Sent:
        answer = self.shape.answer
        if answer.code:
            code = _word(found, answer.code)
            verdict = answer.codes.verdict(code)
            reason = f"code {self._plain(code)} {self._plain(_word(found, answer.status))}".strip()
            if verdict == "refused":
                raise GatewayRefused(f"the gateway refused the message ({reason})")
            if verdict == "later":
                raise GatewayDown(f"the gateway cannot take the message now ({reason})")
        return Sent(_word(found, answer.id), _word(found, answer.cost))

    def _plain(self, said: str) -> str:
        """The gateway's own words with nothing in them that could be a phone number or the key."""
        if re.fullmatch(r"[0-9]{1,3}", said):
            return said
        said = said.replace(self.api_key, "") if self.api_key else said
        return re.sub(r"[\d_]|[^\w ]", "", said)[:60]


def gateway_from(config: Config) -> Gateway:
    """The gateway of the settings. ConfigError when its description is not right."""
    return Gateway(
        shape=read_shape(config.gateway_file),
        base_url=config.gateway_url,
        username=config.gateway_username,
        api_key=config.gateway_api_key,
        sender=config.short_code,
        session=lambda: open_session(config.gateway_proxy, config.gateway_ca),
    )


def _fill(node: Any, values: Mapping[str, str]) -> Any:
    """The template with its slots filled, in one pass: a text that says {to} stays as it is.

    What comes out as empty text is left out of its table.
    """
    if isinstance(node, str):
        return SLOT.sub(lambda slot: values[slot[1]], node)
    if isinstance(node, list):
        return [_fill(item, values) for item in node]
    if isinstance(node, dict):
        filled = {key: _fill(value, values) for key, value in node.items()}
        return {key: value for key, value in filled.items() if value != ""}
    return node


def _recipient(content: bytes, path: str) -> dict[str, Any]:
    """Our recipient's part of the answer: the table at *path*, or the first of a list there."""
    try:
        found = _find(msgspec.json.decode(content), path)
    except (ValueError, RecursionError):
        raise GatewayDown("the gateway's answer is not JSON") from None
    if isinstance(found, list):
        found = found[0] if found else None
    if not isinstance(found, dict):
        raise GatewayDown("the gateway's answer does not speak of the recipient")
    return cast("dict[str, Any]", found)


def _find(node: Any, path: str) -> Any:
    """The value at a dotted *path*, or None."""
    for name in path.split(".") if path else ():
        node = node.get(name) if isinstance(node, dict) else None
    return node


def _word(node: dict[str, Any], path: str) -> str:
    """The text or number at *path*, as text; "" where there is none."""
    found = _find(node, path) if path else None
    return str(found).strip() if isinstance(found, str | int | float) else ""
