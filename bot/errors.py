"""The errors of the bot, split by who must act.

BotError
 +-- ConfigError          the deployer: a setting is missing or wrong; stops the start
 +-- RegisterError        the programme: rows of the register are wrong; nothing was imported
 +-- AccountRefused       whoever keeps the accounts: there is none, or one already; unchanged
 +-- TokenRefused         whoever lets systems in: there is no such token, or one already; unchanged
 +-- BadWebhook           the gateway: a request is not what its contract says; answered 400
 +-- GatewayError
 |    +-- GatewayDown     nobody: try again later
 |    +-- GatewayRefused  a person: this message will never go; tell someone
 +-- StoreDown            nobody: try again later
 +-- ReportNotSent        nobody: try again later; a person, if it lasts
 +-- StoreRefused         a person, if it lasts: this record alone is put off, the others go on
"""

from __future__ import annotations

import traceback
from pathlib import Path


class BotError(Exception):
    """Base of every error that the bot raises on purpose."""


class ConfigError(BotError):
    """A setting is missing or wrong. The message names it."""


class RegisterError(BotError):
    """Rows of the register are wrong. *problems* holds one sentence a row, with file and line."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__(f"{len(problems)} problem(s) in the register; nothing was imported")
        self.problems = problems


class AccountRefused(BotError):
    """An account cannot be made or changed so. The message says why, and never a password."""


class TokenRefused(BotError):
    """A token cannot be made or revoked so. The message says why, and never the token."""


class BadWebhook(BotError):
    """A gateway's request lacks a field or carries one that cannot be read."""


class GatewayError(BotError):
    """A message did not go out."""


class GatewayDown(GatewayError):
    """The gateway did not answer, or said that it cannot now. Try again later."""


class GatewayRefused(GatewayError):
    """The gateway will not take this message. Trying again changes nothing."""


class StoreDown(BotError):
    """The store did not take a batch. Try again later."""


class StoreRefused(BotError):
    """The store answers, and does not take this record as it is now: that is no news of others."""


class ReportNotSent(BotError):
    """A monthly report was not taken. Try again later. The message names no address."""


def whereabouts(error: BaseException) -> str:
    """Which error and where, without its words: those may hold somebody's number."""
    frames = traceback.extract_tb(error.__traceback__)
    where = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "nowhere"
    return f"{type(error).__name__} at {where}"
