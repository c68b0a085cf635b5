"""The parts as the settings put them together."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import fakeredis
import pytest
from redis import Redis

from bot import wiring
from bot.amend import Amend
from bot.config import Config, demo_config, from_env
from bot.effects import Amendments
from bot.errors import ConfigError, RegisterError
from bot.events import Heard
from bot.register_files import read_register
from bot.store import SetFilter, Store
from bot.tokens import Token
from bot.wiring import (
    Parts,
    announce,
    build,
    connect,
    load_protocols,
    load_rules,
    open_store,
    recorder,
    tokens_of,
)
from bot.wording import Wording
from tests.bot.service_stand import SECRETS, in_service
from tests.bot.store_stand import DEMO, closed, ready, record

if TYPE_CHECKING:
    from tests.conftest import FakeClock

NEEMA = "+12025550101"
DEFAULT = wiring.PROTOCOLS / "default.toml"


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return demo_config(8080, tmp_path / "data")


@pytest.fixture
def parts(config: Config, clock: FakeClock) -> Iterator[Parts]:
    server = fakeredis.FakeServer(server_type="redis", version=(7, 0, 0))
    found = build(config, fakeredis.FakeRedis(server=server), clock)
    yield found
    found.store.close()


# ---- settings ------------------------------------------------------------------------------------

@pytest.mark.parametrize("gone", SECRETS)
def test_production_refuses_to_start_without_a_secret_and_names_it(gone: str) -> None:
    there = {name: value for name, value in SECRETS.items() if name != gone}

    with pytest.raises(ConfigError, match=gone):
        from_env(there)


def test_production_with_its_secrets_is_built_without_touching_redis(tmp_path: Path) -> None:
    config = in_service(tmp_path)
    found = build(config)

    assert not config.demo
    assert isinstance(found.redis, Redis)
    assert not isinstance(found.redis, fakeredis.FakeRedis)
    assert (tmp_path / "soakbell.db").exists()
    found.store.close()
    found.redis.close()


def test_a_workers_service_is_the_same_service(tmp_path: Path) -> None:
    service = build(in_service(tmp_path)).service

    assert service.gateway.base_url == "https://gateway.example"  # type: ignore[attr-defined]
    assert isinstance(service.store, Store)
    service.store.close()


def test_a_fake_redis_lives_in_the_process_and_each_is_its_own(config: Config) -> None:
    one, other = connect(config), connect(config)

    one.set("a", "1")

    assert other.get("a") is None


# ---- protocols and texts -------------------------------------------------------------------------


def own_protocol(folder: Path, name: str, version: str, **numbers: str) -> None:
    text = DEFAULT.read_text(encoding="utf-8")
    text = text.replace('name = "default"', f'name = "{name}"', 1)
    text = text.replace('version = "1"', f'version = "{version}"', 1)
    for old, new in numbers.items():
        text = text.replace(f"{old} = {{ value = 20,", f"{old} = {{ value = {new},", 1)
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")


def test_protocols_are_there_by_name_and_by_id(tmp_path: Path) -> None:
    own_protocol(tmp_path, "ward", "3", exposure_minutes="30")
    found = load_protocols(tmp_path)

    built_in = {"default", "boiled-water", "immersion"}
    assert set(found) == built_in | {f"{n}-1" for n in built_in} | {"ward", "ward-3"}
    assert found["ward"] is found["ward-3"]
    assert found["ward"]["chlorine.exposure_minutes"] == 30
    assert found["default"]["chlorine.exposure_minutes"] == 20


def test_a_protocol_of_ones_own_overrides_and_the_one_that_batches_run_on_stays(
    tmp_path: Path,
) -> None:
    own_protocol(tmp_path, "default", "2", exposure_minutes="30")
    found = load_protocols(tmp_path)

    assert found["default"].version == "2"
    assert found["default-1"]["chlorine.exposure_minutes"] == 20
    assert found["default-2"]["chlorine.exposure_minutes"] == 30


def test_a_protocol_that_may_not_be_used_stops_the_start_and_is_named(tmp_path: Path) -> None:
    own_protocol(tmp_path, "ward", "3", exposure_minutes="5")

    with pytest.raises(ConfigError, match=r"protocol ward\.toml: chlorine\.exposure_minutes is 5"):
        load_protocols(tmp_path)


def test_rules_know_every_languages_words(config: Config, tmp_path: Path) -> None:
    wording = Wording({"en": {"word.menu": "MENU"}, "sw": {"word.menu": "MENYU ORODHA"}})
    rules = load_rules(replace(config, hasten=60), wording)

    assert rules.command("sw", "menyu") == "menu"
    assert rules.command("sw", "Menu.") == "menu"
    assert rules.command("en", "menyu") == ""
    assert rules.hasten == 60


def test_texts_of_ones_own_are_used(config: Config, tmp_path: Path) -> None:
    folder = tmp_path / "texts"
    folder.mkdir()
    (folder / "soakbell.pot").write_text(
        'msgid ""\nmsgstr "Content-Type: text/plain; charset=utf-8\\n"\n\n'
        'msgctxt "sorry"\nmsgid "Dial again."\nmsgstr ""\n'
    )
    found = build(replace(config, locale=folder))

    assert found.wording.catalogues["en"]["sorry"] == "Dial again."
    assert found.wording.catalogues["en"]["rinse.title"] == "RINSE"
    found.store.close()


# ---- store ---------------------------------------------------------------------------------------


def test_the_store_asks_the_release_decision_before_it_believes_a_ready(
    config: Config, parts: Parts
) -> None:
    """A batch that says it was released, with a log that holds almost nothing."""
    announce(parts, read_register(DEMO, None))
    liar = closed("LOWF-7")

    parts.store.record([record(liar, ready(liar))])

    rows = parts.store.sets(SetFilter(), liar.opened_at).rows
    assert "READY" not in {row["condition"] for row in rows}


def test_a_store_in_a_folder_that_is_not_there_makes_it(config: Config, tmp_path: Path) -> None:
    deep = tmp_path / "a" / "b" / "soakbell.db"
    rules = load_rules(config, Wording({"en": {}}))

    open_store(replace(config, store_url=f"sqlite:///{deep}"), rules).close()

    assert deep.exists()


def test_another_soakbell_gets_what_is_pushed_and_this_one_keeps_its_own(
    config: Config, tmp_path: Path
) -> None:
    remote = replace(config, store_url="https://central.example", store_token="secret")
    store = open_store(remote, load_rules(remote, Wording({"en": {}})))

    assert (tmp_path / "data" / "soakbell.db").exists()
    assert recorder(config, store) is store
    assert recorder(remote, store) is not store
    store.close()


def test_with_another_soakbell_the_register_here_is_what_people_change(
    config: Config, clock: FakeClock
) -> None:
    """Nobody answers at the other one's address, and nobody needs to."""
    parts = build(replace(config, store_url="https://central.invalid"), clock=clock)
    announce(parts, read_register(DEMO, None))
    shift = Amend("LOWF-1", 1, clock(), "P1", "shift", "P1", value="22:00-06:00")

    [post] = parts.service.register(Amendments("LOWF", "TAM", (shift,)))

    assert post.letter.kind == "amended"
    store = parts.store
    people = store.load_register().people
    assert {m.person.shift for m in people if m.person.id == "P1"} == {"22:00-06:00"}
    store.close()


# ---- people --------------------------------------------------------------------------------------


def test_an_announced_register_lets_people_speak(parts: Parts, clock: FakeClock) -> None:
    said = Heard("m1", NEEMA, "ussd", "", clock(), session="s1")
    assert "registered health staff" in parts.service.handle(said)

    announce(parts, read_register(DEMO, None))

    assert parts.store.load_register() == read_register(DEMO, None)
    said = Heard("m2", NEEMA, "ussd", "", clock(), session="s2")
    assert "LOWF:\n1 begin" in parts.service.handle(said)


def test_a_register_announced_again_keeps_conversations_and_takes_changes(
    parts: Parts, clock: FakeClock, tmp_path: Path
) -> None:
    announce(parts, read_register(DEMO, None))
    for n, text in enumerate(["", "BAG-1"]):
        parts.service.handle(Heard(f"m{n}", NEEMA, "sms", text, clock()))
    shutil.copytree(DEMO, tmp_path / "register")
    sets = tmp_path / "register" / "sets.csv"
    sets.write_text(sets.read_text() + "BAG-9,LOWF,BAG-SIL\n")

    announce(parts, read_register(tmp_path / "register", None))

    unit = parts.service.sessions.unit("LOWF")
    assert unit is not None
    assert len(unit.batches) == 1
    assert "BAG-9" in {s.id for s in unit.site.sets}


# ---- tokens --------------------------------------------------------------------------------------


def tokens(text: str) -> dict[str, Token]:
    return tokens_of(from_env({"SOAKBELL_DEMO": "1", "SOAKBELL_API_TOKENS": text}))


def digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def test_the_tokens_of_the_settings_by_digest() -> None:
    found = tokens(f"read:TAM:{digest('a')},ingest:*:{digest('b')},all:*:{digest('c')}")

    assert found == {
        digest("a"): Token("read", "TAM"),
        digest("b"): Token("ingest", None),
        digest("c"): Token("all", None),
    }


def test_a_scope_that_does_not_exist_is_refused() -> None:
    with pytest.raises(ConfigError, match="write is not read, ingest or all"):
        tokens(f"write:*:{digest('a')}")


def test_the_demonstrations_token_reads_everything_and_nothing_more(config: Config) -> None:
    assert tokens_of(config) == {digest("demo"): Token("read", None)}


@pytest.mark.parametrize("protocol", ["immersion", "defualt"])
def test_a_register_whose_facility_goes_by_no_usable_protocol_is_refused(
    tmp_path: Path, protocol: str
) -> None:
    folder = tmp_path / "register"
    shutil.copytree(DEMO, folder)
    file = folder / "facilities.csv"
    rows = file.read_text(encoding="utf-8")
    file.write_text(rows.replace(":g,,", f":g,{protocol},"), encoding="utf-8")
    parts = build(demo_config(8080, tmp_path))

    with pytest.raises(RegisterError) as caught:
        announce(parts, read_register(folder, None))

    assert protocol in caught.value.problems[0]
    assert parts.store.load_register().facilities == ()
    parts.store.close()
