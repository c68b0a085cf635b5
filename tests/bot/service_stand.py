"""Settings as in service, not as in the demonstration: what must be given, and invented values."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from bot.config import Config, from_env

SECRETS = {
    "SOAKBELL_REDIS_URL": "redis://127.0.0.1:1/0",
    "SOAKBELL_HOOK_KEY": "0123456789abcdef",
    "SOAKBELL_GATEWAY_URL": "https://gateway.example",
    "SOAKBELL_GATEWAY_USERNAME": "ward",
    "SOAKBELL_GATEWAY_API_KEY": "key-of-the-ward",
}


def in_service(data: Path) -> Config:
    """SECRETS, and *data* for the folder; nothing is there at these addresses."""
    return from_env({**SECRETS, "SOAKBELL_DATA": str(data)})


def on_fake_redis(data: Path) -> Config:
    """The same, with a Redis inside the process."""
    return replace(in_service(data), redis_url="fake://")
