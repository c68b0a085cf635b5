"""The settings as they are read: the only reader of the environment. Their table is
`bot/settings.py`.

Each is the environment variable SOAKBELL_<name>; a secret may come from the file that
SOAKBELL_<name>_FILE names. All problems are reported together, and no secret is ever shown.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import phonenumbers

from bot.errors import ConfigError
from bot.report_settings import LATEST_DAY, addresses, mail_server
from bot.settings import SETTINGS, Setting

__all__ = ["NEEDED", "PREFIX", "SETTINGS", "ApiToken", "Config", "Setting", "demo_config",
           "from_env", "local_store_url"]

PREFIX = "SOAKBELL_"
MIN_HOOK_KEY = 16  # characters; at 6 bits each, 96 bits: not to be found by trying
MOST_HIDDEN = 999  # a count of a facility up to which one may hide
MAX_HASTEN = 3600.0  # an hour's soak in a second


NEEDED: frozenset[str] = frozenset(s.name for s in SETTINGS if s.needed)

# The SHA-256 of "demo", written out: the token that reads everything in a demonstration.
_DEMO_TOKEN = "2a97516c354b68848cdbd8f54a226a0a55b21ed138e207ad6c5cbb9c00aa5aea"  # noqa: S105
_DEMO: Mapping[str, str] = {
    "REDIS_URL": "fake://",
    "HOOK_KEY": "demo",
    "GATEWAY_URL": "http://127.0.0.1:8080",
    "GATEWAY_USERNAME": "demo",
    "GATEWAY_API_KEY": "demo",
    "API_TOKENS": f"read:*:{_DEMO_TOKEN}",
    "SMALL_NUMBERS": "0",
}


@dataclass(frozen=True, slots=True)
class ApiToken:
    """Who may use the API. *digest* is the token's SHA-256 in hex; *district* "*" is all."""

    scope: str
    district: str
    digest: str = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """The settings, read and checked. *gateway_file* None means the built-in description."""

    demo: bool
    hasten: float
    data: Path
    redis_url: str = field(repr=False)
    store_url: str = field(repr=False)
    store_token: str = field(repr=False)
    hook_key: str = field(repr=False)
    gateway_url: str
    gateway_file: Path | None
    gateway_username: str
    gateway_api_key: str = field(repr=False)
    gateway_proxy: str = field(repr=False)
    gateway_ca: str
    short_code: str
    api_tokens: tuple[ApiToken, ...] = field(repr=False)
    locale: Path | None
    protocols: Path | None
    alerts: Path | None
    region: str
    small_numbers: int
    report_mail_to: tuple[str, ...]
    report_post_url: str = field(repr=False)
    report_day: int
    mail_url: str
    mail_from: str
    mail_password: str = field(repr=False)
    sweep_tick_ms: int


def from_env(environ: Mapping[str, str], needs: Collection[str] = NEEDED) -> Config:
    """Read the settings. ConfigError names every one that is missing or wrong.

    *needs* are the settings that must be there outside a demonstration; a command that only
    reads the store passes fewer.
    """
    read = _Reader(environ)
    demo = read.demo
    config = Config(
        demo=demo,
        hasten=read.hasten(),
        data=Path(read.text("DATA")),
        redis_url=read.url("REDIS_URL", ("redis", "rediss", "unix", *(("fake",) if demo else ()))),
        store_url=read.store(),
        store_token=read.text("STORE_TOKEN"),
        hook_key=read.hook_key(),
        gateway_url=read.gateway_url(),
        gateway_file=read.path("GATEWAY_FILE", folder=False),
        gateway_username=read.text("GATEWAY_USERNAME"),
        gateway_api_key=read.text("GATEWAY_API_KEY"),
        gateway_proxy=read.url("GATEWAY_PROXY", ("http", "https")),
        gateway_ca=str(read.path("GATEWAY_CA", folder=False) or ""),
        short_code=read.text("SHORT_CODE"),
        api_tokens=read.tokens(),
        locale=read.path("LOCALE", folder=True),
        protocols=read.path("PROTOCOLS", folder=True),
        alerts=read.path("ALERTS", folder=False),
        region=read.region(),
        small_numbers=read.small_numbers(),
        report_mail_to=read.mail_to(),
        report_post_url=read.url("REPORT_POST_URL", ("https", *(("http",) if demo else ()))),
        report_day=int(read.number("REPORT_DAY", 1, LATEST_DAY)),
        mail_url=read.mail_url(),
        mail_from=read.text("MAIL_FROM"),
        mail_password=read.text("MAIL_PASSWORD"),
        sweep_tick_ms=int(read.number("SWEEP_TICK_MS", 10, 60_000)),
    )
    read.finish(needs)
    return config


def demo_config(port: int, data_dir: Path, hasten: float = 1.0) -> Config:
    """The demonstration's settings: every key is `demo`, the gateway is our own at *port*."""
    own = {"DATA": str(data_dir), "HASTEN": str(hasten), "GATEWAY_URL": f"http://127.0.0.1:{port}"}
    return from_env({PREFIX + name: value for name, value in {"DEMO": "1", **own}.items()})


def local_store_url(data: Path) -> str:
    """The address of the store in the folder *data* of this machine."""
    return f"sqlite:///{data / 'soakbell.db'}"


class _Reader:
    """Reads settings one by one and keeps every problem, so that all are told at once."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        self._environ = environ
        self._table = {s.name: s for s in SETTINGS}
        self._problems: list[str] = []
        self.demo = False  # `text` asks for it, also while DEMO itself is read
        self.demo = self._flag("DEMO")

    def finish(self, needs: Collection[str]) -> None:
        missing = [PREFIX + s.name for s in SETTINGS if s.name in needs and not self.text(s.name)]
        if missing:
            self._problems.insert(0, f"not set: {', '.join(missing)}")
        if self._problems:
            # Reading twice finds the same problem twice; a dict keeps the order and drops those.
            raise ConfigError("settings: " + "; ".join(dict.fromkeys(self._problems)))

    def text(self, name: str) -> str:
        """The value, from the variable, its file, the demonstration or the default."""
        setting = self._table[name]
        value = self._environ.get(PREFIX + name, "").strip()
        named = self._environ.get(f"{PREFIX}{name}_FILE", "") if setting.secret else ""
        if named and value:
            self._wrong(name, f"is set twice: here and by {PREFIX}{name}_FILE")
        elif named:
            value = self._from_file(name, Path(named))
        return value or (_DEMO.get(name, "") if self.demo else "") or setting.default

    def _from_file(self, name: str, path: Path) -> str:
        try:
            return path.read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError) as exc:
            self._wrong(f"{name}_FILE", f"cannot be read ({type(exc).__name__})")
            return ""

    def _wrong(self, name: str, sentence: str) -> None:
        self._problems.append(f"{PREFIX}{name} {sentence}")

    def _flag(self, name: str) -> bool:
        value = self.text(name)
        if value not in {"0", "1"}:
            self._wrong(name, "must be 0 or 1")
        return value == "1"

    def number(self, name: str, low: float, high: float) -> float:
        try:
            value = float(self.text(name))
        except ValueError:
            value = math.nan
        if not low <= value <= high:  # also false for nan
            self._wrong(name, f"must be a number from {low:g} to {high:g}")
            return low
        return value

    def hasten(self) -> float:
        value = self.number("HASTEN", 1, MAX_HASTEN)
        if value != 1 and not self.demo:
            self._wrong("HASTEN", "shortens exposures: only a demonstration may set it")
        return value

    def small_numbers(self) -> int:
        value = self.text("SMALL_NUMBERS")
        if value != "0" and not re.fullmatch(r"[1-9][0-9]{0,2}", value):
            self._wrong("SMALL_NUMBERS", f"must be a whole number from 0 to {MOST_HIDDEN}")
            return MOST_HIDDEN
        return int(value)

    def mail_to(self) -> tuple[str, ...]:
        try:
            return addresses(self.text("REPORT_MAIL_TO"))
        except ValueError as error:
            self._wrong("REPORT_MAIL_TO", str(error))
            return ()

    def mail_url(self) -> str:
        url = self.text("MAIL_URL")
        try:
            if url:
                mail_server(url, self.text("MAIL_FROM"), self.text("MAIL_PASSWORD"))
            elif self.text("REPORT_MAIL_TO"):
                self._wrong("MAIL_URL", "is needed to mail reports")
        except ValueError as error:
            self._wrong("MAIL_URL", str(error))
        return url

    def url(self, name: str, schemes: Collection[str]) -> str:
        value = self.text(name)
        if value and not _has_scheme(value, schemes):
            self._wrong(name, f"must be an address that begins with {' or '.join(schemes)}")
        return value

    def gateway_url(self) -> str:
        value = self.url("GATEWAY_URL", ("http", "https"))
        if "@" in value or "?" in value or "#" in value:  # it is shown, so it may hold no secret
            self._wrong("GATEWAY_URL", "must hold no user, query or fragment")
        return value.rstrip("/")

    def store(self) -> str:
        stores = ("sqlite", "postgresql", "postgresql+psycopg", "https")
        value = self.url("STORE_URL", (*stores, "http") if self.demo else stores)
        if _has_scheme(value, ("http", "https")) and not self.text("STORE_TOKEN"):
            self._wrong("STORE_TOKEN", "is needed to send batches to another Soakbell")
        return value or local_store_url(Path(self.text("DATA")))

    def hook_key(self) -> str:
        value = self.text("HOOK_KEY")
        if value and not self.demo and not re.fullmatch(rf"[\w-]{{{MIN_HOOK_KEY},}}", value, re.A):
            self._wrong("HOOK_KEY", f"needs {MIN_HOOK_KEY} or more letters, digits, - or _")
        return value

    def path(self, name: str, *, folder: bool) -> Path | None:
        if not (value := self.text(name)):
            return None
        path = Path(value)
        if not (path.is_dir() if folder else path.is_file()):
            self._wrong(name, f"is not a {'folder' if folder else 'file'}")
        return path

    def tokens(self) -> tuple[ApiToken, ...]:
        rows = [row.strip() for row in self.text("API_TOKENS").split(",") if row.strip()]
        found = [re.fullmatch(r"([a-z]+):([^:]+):([0-9a-fA-F]{64})", row) for row in rows]
        for number, match in enumerate(found, 1):
            if match is None:
                self._wrong("API_TOKENS", f"entry {number} is not scope:district:sha256")
        return tuple(ApiToken(m[1], m[2], m[3].lower()) for m in found if m)

    def region(self) -> str:
        value = self.text("REGION").upper()
        if value and value not in phonenumbers.SUPPORTED_REGIONS:
            self._wrong("REGION", "is not a country's two letters")
        return value


def _has_scheme(value: str, schemes: Collection[str]) -> bool:
    try:
        return urlsplit(value).scheme in schemes and "://" in value
    except ValueError:
        return False
