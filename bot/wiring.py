"""Builds the service from the settings: the one place where the parts meet."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

import fakeredis
from redis import Redis

from bot.account_sessions import LogIns
from bot.account_store import Accounts
from bot.accounts import EVERYWHERE, LEAST_PASSWORD, Account
from bot.audit import COMMAND
from bot.catalogues import load_catalogues, own_name
from bot.clock import new_tick, utc_now
from bot.config import Config, local_store_url
from bot.counting import Counting
from bot.errors import AccountRefused, ConfigError, RegisterError
from bot.gateway import gateway_from
from bot.joins import Joins
from bot.machine import step
from bot.outbox import Outbox
from bot.passwords import Passwords, quick
from bot.posts import Posts
from bot.pushes import Pushes
from bot.records_out import Recorder
from bot.redescribed import letters
from bot.register import Register
from bot.register_edit import misled
from bot.registry import Registry
from bot.relay import Both, Relay
from bot.rules import Rules
from bot.service import Service
from bot.sessions import Sessions
from bot.site_pages import publish, revision
from bot.store import Store
from bot.timers import Timers
from bot.tokens import SCOPES, Token, Tokens
from bot.watching import WATCH
from bot.wording import Wording
from flows import alerting
from flows.alerting import AlertRules
from flows.batch import Batch
from flows.late import late_words
from flows.prompts import commands, segments
from flows.protocol import Protocol, ProtocolError, load
from flows.release import findings
from flows.reprocess import REPROCESS

FLOWS = Path(__file__).resolve().parent.parent / "flows"
PROTOCOLS, ALERTS = FLOWS / "protocols", FLOWS / "alerts" / "default.toml"
Clock = Callable[[], datetime]


@dataclass(frozen=True, slots=True)
class Parts:
    """What the web pages and the commands need besides the service itself."""

    service: Service
    store: Store
    rules: Rules
    wording: Wording
    redis: Redis
    accounts: Accounts
    log_ins: LogIns
    tokens: Tokens


def connect(config: Config) -> Redis:
    """A client of the Redis that the settings name; `fake://` is one inside this process."""
    if config.redis_url.startswith("fake://"):
        server = fakeredis.FakeServer(server_type="redis", version=(7, 0, 0))
        return fakeredis.FakeRedis(server=server)
    return Redis.from_url(config.redis_url)


def load_protocols(folder: Path | None = None) -> dict[str, Protocol]:
    """The built-in protocols and those of *folder*, by name and by id.

    Raises ConfigError for a file that may not be used: nothing starts on a wrong number.
    """
    found: dict[str, Protocol] = {}
    for where in (PROTOCOLS, folder):
        for path in sorted(where.glob("*.toml")) if where else ():
            try:
                protocol = load(path)
            except ProtocolError as error:
                raise ConfigError(f"protocol {path.name}: {error}") from error
            found[protocol.name] = found[protocol.id] = protocol
    return found


def load_rules(config: Config, wording: Wording) -> Rules:
    """The graphs, the protocols and the command words."""
    return Rules(
        flow=REPROCESS,
        flows={REPROCESS.id: REPROCESS},
        protocols=load_protocols(config.protocols),
        commands={name: commands(texts) for name, texts in wording.catalogues.items()},
        hasten=config.hasten,
        alerts=load_alerts(config.alerts),
        fits=wording.fits,
        late_words={name: late_words(texts) for name, texts in wording.catalogues.items()},
        languages={name: own_name(name) for name in wording.catalogues},
    )


def load_alerts(path: Path | None = None) -> AlertRules:
    """The alert rules of the file at *path*, or the built-in ones; ConfigError for a bad file."""
    try:
        return alerting.load(path or ALERTS)
    except alerting.AlertsError as error:
        raise ConfigError(f"alert rules: {error}") from error


def open_store(config: Config, rules: Rules) -> Store:
    """This machine's store, with its tables brought up to date.

    Where the settings name another Soakbell, it is the file that they would name otherwise: the
    register and the pages need one here.
    """
    url = local_store_url(config.data) if _is_remote(config) else config.store_url
    if url.startswith("sqlite:///"):
        Path(url.removeprefix("sqlite:///")).parent.mkdir(parents=True, exist_ok=True)

    def against(batch: Batch) -> list[object]:
        protocol = rules.protocols.get(batch.protocol)
        return list(findings(batch, protocol)) if protocol else ["unknown protocol"]

    store = Store(url, allow_hastened=config.demo, findings=against)
    store.migrate()
    return store


def _is_remote(config: Config) -> bool:
    return urlsplit(config.store_url).scheme in ("https", "http")


def recorder(config: Config, store: Store) -> Recorder:
    """Who takes what is pushed: *store*, and the other Soakbell that the settings may name."""
    if not _is_remote(config):
        return store
    return Both(store, Relay(config.store_url, config.store_token))


def accounts_of(config: Config, store: Store, passwords: Passwords | None = None) -> Accounts:
    """The accounts of *store*. In a demonstration passwords are short, and no secret."""
    least = 1 if config.demo else LEAST_PASSWORD
    return Accounts(store.database, passwords or (quick() if config.demo else Passwords()), least)


def add_demo_account(parts: Parts) -> None:
    """The log-in that the demonstration tells everybody; it opens nothing in service."""
    everybody = Account("desk", "Demonstration", "administrator", EVERYWHERE)
    with suppress(AccountRefused):  # from the last time, or by a process beside this one
        parts.accounts.add(everybody, "demo", parts.service.clock(), COMMAND)


def build(
    config: Config,
    redis: Redis | None = None,
    clock: Clock = utc_now,
    passwords: Passwords | None = None,
) -> Parts:
    """Everything, wired. *redis* is given by the demonstration, whose parts share one."""
    redis = redis if redis is not None else connect(config)
    wording = Wording(load_catalogues(config.locale) if config.locale else load_catalogues())
    rules = load_rules(config, wording)
    store = open_store(config, rules)
    service = Service(
        sessions=Sessions(redis),
        timers=Timers(redis),
        outbox=Outbox(redis),
        pushes=Pushes(redis),
        posts=Posts(redis),
        gateway=gateway_from(config),
        store=recorder(config, store),
        step=partial(step, rules=rules),
        render=wording.render,
        count_parts=lambda text: segments(text)[2],
        clock=clock,
        tick=new_tick(),
        joins=Joins(redis),
        joining=rules.joining,
        register=Registry(store.database, redis, clock),
        counting=Counting(store, clock),
    )
    accounts = accounts_of(config, store, passwords)
    tokens = Tokens(store.database, tokens_of(config))
    return Parts(service, store, rules, wording, redis, accounts, LogIns(store.database), tokens)


def announce(parts: Parts, register: Register, *, drop: bool = True) -> None:
    """Save *register* and hand it to the conversations.

    RegisterError for a facility whose protocol is unknown or not for release and, without *drop*,
    for people or sets that would be lost; nothing is saved.
    """
    wrong = [
        f"facilities.csv: {facility}: no batch may go by protocol {protocol}"
        for facility, protocol in misled(register, parts.rules.protocols).items()
    ]
    if wrong:
        raise RegisterError(wrong)
    for post in letters(parts.store.load_register(), register, parts.service.clock()):
        parts.service.posts.put(post)
    saved = parts.store.save_register(register, revision(parts.redis), drop=drop)
    publish(parts.redis, register.sites(), register.phones(), saved)
    parts.service.timers.put_new((s.id for s in register.sites()), WATCH, parts.service.clock())


def tokens_of(config: Config) -> dict[str, Token]:
    """The API's tokens by digest. ConfigError for a scope that does not exist."""
    found: dict[str, Token] = {}
    for token in config.api_tokens:
        if token.scope not in SCOPES:
            raise ConfigError(f"API_TOKENS: {token.scope} is not read, ingest or all")
        district = None if token.district == EVERYWHERE else token.district
        found[token.digest] = Token(token.scope, district)
    return found
