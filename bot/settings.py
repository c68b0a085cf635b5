"""The settings: one table that declares each once. `bot/config.py` reads them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Setting:
    """One row of the table. *needed*: a production start refuses without it."""

    name: str
    meaning: str
    default: str = ""
    secret: bool = False
    needed: bool = False


SETTINGS: tuple[Setting, ...] = (
    Setting("DEMO", "1: a demonstration, on stand-ins and with keys that everybody knows", "0"),
    Setting("HASTEN", "demonstration only: how much faster than real time exposures run", "1"),
    Setting("DATA", "folder for what is kept on this machine", "data"),
    Setting(
        "REDIS_URL",
        "Redis that holds the conversations (redis, rediss or unix); fake:// in a demonstration",
        secret=True,
        needed=True,
    ),
    Setting(
        "STORE_URL",
        "where batches are kept: sqlite, postgresql, or https for another Soakbell; "
        "empty: soakbell.db in the DATA folder",
        secret=True,
    ),
    Setting("STORE_TOKEN", "bearer token for a STORE_URL that is another Soakbell", secret=True),
    Setting(
        "HOOK_KEY",
        "secret part of the addresses that the gateway calls: at least 16 letters, digits, - or _",
        secret=True,
        needed=True,
    ),
    Setting("GATEWAY_URL", "address of the SMS gateway, without the path", needed=True),
    Setting("GATEWAY_FILE", "TOML description of the gateway; empty: the built-in one"),
    Setting("GATEWAY_USERNAME", "our account at the gateway", needed=True),
    Setting("GATEWAY_API_KEY", "our key at the gateway", secret=True, needed=True),
    Setting("GATEWAY_PROXY", "HTTP proxy on the way to the gateway", secret=True),
    Setting("GATEWAY_CA", "file of the authority that signed the gateway's certificate"),
    Setting("SHORT_CODE", "number or name that our messages come from; empty: the gateway's own"),
    Setting(
        "API_TOKENS",
        "who may use the API: scope:district:sha256 of the token, district * for all, by commas",
        secret=True,
    ),
    Setting("LOCALE", "folder of message catalogues that override the built-in ones"),
    Setting("PROTOCOLS", "folder of protocol files that override the built-in ones"),
    Setting("ALERTS", "TOML file of alert rules; empty: the built-in ones"),
    Setting("REGION", "country of phone numbers that name none: two letters, like KE"),
    Setting("SMALL_NUMBERS", "counts of one facility below this do not leave it by the API; 0: all "
                             "do, as in a demonstration", "5"),
    Setting("REPORT_MAIL_TO", "who gets the monthly reports by mail: addresses by commas"),
    Setting("REPORT_POST_URL", "https address that the monthly reports are posted to", secret=True),
    Setting("REPORT_DAY", "day of the month, 1 to 28, from which last month's reports go out", "3"),
    Setting("MAIL_URL", "server that takes our mail: smtp://user@host:587 (STARTTLS) or smtps://"),
    Setting("MAIL_FROM", "from whom our mail is; empty: the user of MAIL_URL"),
    Setting("MAIL_PASSWORD", "password of the user of MAIL_URL", secret=True),
    Setting("SWEEP_TICK_MS", "milliseconds between two looks at what is due", "250"),
)
