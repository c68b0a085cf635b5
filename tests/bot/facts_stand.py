"""The API before a store that holds some facts, for tokens of two districts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from flask import Flask
from flask.testing import FlaskClient

from bot.accounts import digest
from bot.api import api
from bot.effects import Pushed
from bot.store import Store
from bot.tokens import Token, Tokens
from tests.bot.store_stand import START, demo_register


@contextmanager
def facts_client(folder: Path, held: Sequence[Pushed]) -> Iterator[FlaskClient]:
    """A client of the API whose store in *folder* holds *held*."""
    kept = Store(f"sqlite:///{folder / 'store.db'}")
    kept.migrate()
    kept.save_register(demo_register())
    kept.record(held)
    app = Flask("test")
    tokens = {digest("tam"): Token("all", "TAM"), digest("bao"): Token("all", "BAO")}
    app.register_blueprint(api(kept, Tokens(kept.database, tokens), lambda: START))
    yield app.test_client()
    kept.close()


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}
