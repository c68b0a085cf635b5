"""Records to another Soakbell: over HTTP, at least once on the wire, once in its store."""

from __future__ import annotations

import hashlib
import logging
import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import requests
from redis import Redis

from bot.alert_queries import AlertFilter
from bot.effects import Conditions, Gap, Mixed, Push, Pushed, Raised
from bot.errors import ConfigError, StoreDown, StoreRefused
from bot.model import SetState
from bot.pushes import Pushes, condition_ops, push_ops, raised_ops
from bot.relay import Both, Relay
from bot.store import BatchFilter, CountFilter, GapFilter, SetFilter, Store
from flows.batch import Batch
from tests.bot.gateway_stand import Server, serving
from tests.bot.release_stand import release_bag, texts, told
from tests.bot.store_stand import START, alert, batch, closed, demo_register, raised, record
from tests.conftest import FakeClock
from tests.phone import World
from tests.workbench import Bench

TOKEN = "letmein"
TAM = f"ingest:TAM:{hashlib.sha256(TOKEN.encode()).hexdigest()}"
READER = f"read:*:{hashlib.sha256(b'demo').hexdigest()}"
BEGUN = Gap("LOWF-bag-1", "LOWF", "TAM", "bag", START, None)
MADE = Mixed("solution-LOWF-4", "LOWF", "TAM", START, START + timedelta(days=1), 0.52, 2.0,
             "calcium hypochlorite", "LOWF-2", "P1")  # fmt: skip
USED = Conditions("LOWF", (SetState("BAG-1", "USED", START + timedelta(hours=2)),))


@pytest.fixture
def server() -> Iterator[Server]:
    with serving() as made:
        yield made


# ---- the wire ------------------------------------------------------------------------------------


def test_every_kind_of_record_goes_to_its_address_with_the_token(server: Server) -> None:
    server.says({"received": 1, "taken": 0}, 200)

    Relay(server.url + "/", TOKEN).record([MADE, BEGUN, raised(alert()), USED, record(batch())])

    assert [path for path, *_ in server.seen] == [
        "/api/v1/batches", "/api/v1/sets", "/api/v1/alerts", "/api/v1/gaps", "/api/v1/mixes"]
    for _, headers, body in server.seen:
        assert headers["Authorization"] == f"Bearer {TOKEN}"
        assert headers["Content-Type"] == "application/json"
        assert TOKEN not in body


def test_nothing_to_say_says_nothing(server: Server) -> None:
    Relay(server.url, TOKEN).record([])
    assert server.seen == []


def test_many_records_go_a_hundred_at_a_time(server: Server) -> None:
    server.says({"received": 100}, 200)
    with pytest.raises(StoreDown):  # it says that it took a hundred, where fifty were sent
        Relay(server.url, TOKEN).record([record(batch(f"B-{n}")) for n in range(250)])
    assert [body.count('"opened_at"') for *_, body in server.seen] == [100, 100, 50]


@pytest.mark.parametrize("status", [400, 403, 409, 413, 422])
def test_a_refused_record_is_no_news_of_the_others(
    server: Server, status: int, caplog: pytest.LogCaptureFixture
) -> None:
    server.says({"error": {"code": "x", "message": "y"}}, status)

    with pytest.raises(StoreRefused) as caught:
        Relay(server.url, TOKEN).record([record(batch("LOWF-7"))])

    assert "batch LOWF-7" in caplog.text
    assert TOKEN not in f"{caught.value!r} {caplog.text}"


@pytest.mark.parametrize(("newer", "named"), [
    (raised(alert("LOWF-9")), "alert LOWF-9"), (BEGUN, "gap LOWF-bag-1"),
    (MADE, "solution solution-LOWF-4")], ids=["alert", "gap", "solution"])
def test_an_older_soakbell_that_has_no_address_for_it_holds_up_nothing_else(
    server: Server, caplog: pytest.LogCaptureFixture, newer: Pushed, named: str
) -> None:
    server.says({"error": {"code": "not_found", "message": "nothing"}}, 404)

    with pytest.raises(StoreRefused):
        Relay(server.url, TOKEN).record([newer])
    with pytest.raises(StoreDown):  # of batches it says that the address is wrong
        Relay(server.url, TOKEN).record([newer, record(batch())])

    assert named in caplog.text


@pytest.mark.parametrize(("status", "answer"), [
    (401, b"{}"), (404, b"{}"), (405, b"{}"), (408, b"{}"), (425, b"{}"), (429, b"{}"),
    (500, b"{}"), (502, b"{}"), (503, b"{}"), (301, b""), (204, b""), (201, b'{"received": 1}'),
    (200, b""), (200, b"<html>pay for your access</html>"), (200, b"{}"), (200, b"[1]"),
    (200, b'{"received": 0}'), (200, b'{"received": 2}'), (200, b'{"received": "1"}'),
    (200, b"[" * 100_000), (200, b"\xff"), (200, None),
])
def test_what_is_not_a_clear_yes_is_tried_again(
    server: Server, status: int, answer: bytes | None
) -> None:
    server.status, server.answer = status, answer
    server.headers = {"Location": server.url} if status == 301 else {}

    with pytest.raises(StoreDown) as caught:
        Relay(server.url, TOKEN).record([record(batch())])

    assert len(server.seen) == 1
    assert TOKEN not in repr(caught.value)


def test_an_answer_cut_short_is_tried_again(server: Server) -> None:
    server.says({"received": 1, "taken": 1}, 200)
    server.headers = {"Content-Length": "1000"}
    with pytest.raises(StoreDown):
        Relay(server.url, TOKEN).record([record(batch())])


def test_nobody_there_is_tried_again() -> None:
    with pytest.raises(StoreDown):
        Relay("http://127.0.0.1:1", TOKEN).record([record(batch())])


def test_silence_is_not_waited_for_without_end(server: Server) -> None:
    server.held = threading.Event()
    with pytest.raises(StoreDown):
        Relay(server.url, TOKEN, timeouts=(5, 0.05)).record([record(batch())])


@pytest.mark.parametrize(("url", "token"), [
    ("https://u:p@example.org", TOKEN), ("https://example.org/?x=1", TOKEN),
    ("https://example.org/#x", TOKEN), ("https://example.org", "a\nb"), ("https://e.org", "é")])
def test_an_address_or_a_token_that_cannot_be_used_is_a_wrong_setting(url: str, token: str) -> None:
    with pytest.raises(ConfigError) as caught:
        Relay(url, token)
    assert token not in str(caught.value)


def test_every_error_of_the_library_below_becomes_one_of_ours() -> None:
    def subclasses(of: type[Exception]) -> set[type[Exception]]:
        return {of}.union(*(subclasses(each) for each in of.__subclasses__()))

    for kind in subclasses(requests.RequestException):
        class Broken(requests.Session):
            def post(self, *_: object, _kind: type[Exception] = kind, **__: object) -> None:  # type: ignore[override]
                raise _kind.__new__(_kind)

        with pytest.raises(StoreDown):
            Relay("https://example.org", TOKEN, session=Broken).record([record(batch())])


# ---- two Soakbells -------------------------------------------------------------------------------


@dataclass
class Link:
    """A line between two machines, that passes on, or is cut: before it (0) or after it (1)."""

    to: tuple[str, int]
    cuts: list[str] = field(default_factory=list)
    carried: int = 0
    url: str = ""

    def carry(self, near: socket.socket) -> None:
        """One request on one connection, and its answer unless the line is cut first."""
        cut = self.cuts.pop(0) if self.cuts else ""
        with near, socket.create_connection(self.to) as far:
            head, rest = near.recv(1 << 16).partition(b"\r\n\r\n")[::2]
            length = next((int(line.split(b":")[1]) for line in head.split(b"\r\n")
                           if line.lower().startswith(b"content-length:")), 0)
            while len(rest) < length:
                rest += near.recv(1 << 16)
            if cut == "in the middle":
                far.sendall(head + b"\r\n\r\n" + rest[: length // 2])
                return
            far.sendall(head.replace(b"keep-alive", b"close") + b"\r\n\r\n" + rest)
            answer = b"".join(iter(lambda: far.recv(1 << 16), b""))
            self.carried += 1
            near.sendall(answer[: len(answer) // 2] if cut == "in the answer" else
                         b"" if cut == "before the answer" else answer)


@contextmanager
def line(to: str) -> Iterator[Link]:
    host, _, port = to.removeprefix("http://").partition(":")
    link = Link((host, int(port)))
    with socket.create_server(("127.0.0.1", 0)) as listening:
        link.url = f"http://127.0.0.1:{listening.getsockname()[1]}"

        def accept() -> None:
            while True:
                try:
                    near, _ = listening.accept()
                except OSError:
                    return
                link.carry(near)

        thread = threading.Thread(target=accept)
        thread.start()
        yield link
        listening.shutdown(socket.SHUT_RDWR)
    thread.join()


@dataclass
class Pair:
    """A facility's Soakbell and the central one that it relays to, over a line that may break."""

    near: World
    far: World
    link: Link

    def texts(self, *words: str) -> None:
        texts(self.near, "Neema", *words)

    def condition(self, world: World) -> str:
        rows = world.parts.store.sets(SetFilter(), world.clock()).rows
        return str(next(row["condition"] for row in rows if row["id"] == "BAG-1"))

    def log(self, world: World, batch_id: str) -> list[str]:
        found = world.parts.store.batch(batch_id)
        return [entry["kind"] for entry in found["log"]] if found else []


@pytest.fixture
def pair(clock: FakeClock, tmp_path: Path) -> Iterator[Pair]:
    with ExitStack() as stack:
        # The one made last is the one whose jobs are worked off.
        central = stack.enter_context(World(
            demo_register(), clock, tmp_path / "far", API_TOKENS=f"{TAM},{READER}"))
        link = stack.enter_context(line(central.url))
        near = stack.enter_context(World(
            demo_register(), clock, tmp_path / "near", STORE_URL=link.url, STORE_TOKEN=TOKEN))
        yield Pair(near, central, link)


def test_what_happens_here_is_seen_there(pair: Pair) -> None:
    pair.texts("BAG-1", "1")
    (begun,) = pair.far.api("batches")["batches"]
    assert (begun["sets"], begun["outcome"]) == (["BAG-1"], "")
    assert pair.condition(pair.near) == pair.condition(pair.far) == "IN PROCESS"
    assert pair.near.parts.service.pushes.depth() == 0
    assert (pair.near.parts.store.database.engine.url
            != pair.far.parts.store.database.engine.url)


def test_a_time_without_a_ready_set_is_seen_there_too(pair: Pair) -> None:
    pair.texts("BAG-1", "1")
    here = pair.near.parts.store.gaps(GapFilter(facility="LOWF", kind="bag")).rows
    assert [gap["until"] for gap in here] == [None]
    assert pair.far.parts.store.gaps(GapFilter(facility="LOWF", kind="bag")).rows == here


@pytest.mark.parametrize("where", ["in the middle", "before the answer", "in the answer"])
def test_a_line_that_breaks_loses_nothing_and_counts_once(pair: Pair, where: str) -> None:
    pair.texts("BAG-1", "0")
    pair.link.cuts = [where, where]
    carried = pair.link.carried
    pair.texts("2")  # begun by mistake: cancelled, so it is over
    assert pair.near.parts.service.pushes.depth() >= 1
    if where == "in the middle":
        assert pair.far.parts.store.counts(CountFilter())[0]["batches"] == 0

    pair.near.passes(timedelta(minutes=2))

    assert pair.link.cuts == []
    assert pair.link.carried > carried + (where != "in the middle")
    assert pair.near.parts.service.pushes.depth() == 0
    for world in (pair.near, pair.far):
        assert world.parts.store.counts(CountFilter())[0]["batches"] == 1
        (row,) = world.parts.store.batches(BatchFilter()).rows
        assert row["outcome"] == "cancelled"
    assert pair.log(pair.near, row["id"]) == pair.log(pair.far, row["id"]) != []
    assert pair.condition(pair.near) == pair.condition(pair.far) == "USED"


def test_a_set_is_ready_there_only_while_it_is_here(pair: Pair) -> None:
    def seen() -> tuple[str, str]:
        rows = pair.far.api("sets")["sets"]
        far = next(row["condition"] for row in rows if row["id"] == "BAG-5")
        return (*set(told(pair.near)), far)

    release_bag(pair.near)
    assert seen() == ("READY", "READY")
    texts(pair.near, "Imani", "BAG-5")
    assert seen() == ("IN PROCESS", "IN PROCESS")
    pair.link.cuts = ["before the answer"] * 3
    texts(pair.near, "Imani", "0", "2")  # begun by mistake
    pair.near.passes(timedelta(minutes=10))
    assert seen() == ("READY", "READY")
    texts(pair.near, "Tumaini", "OPENED BAG-5")
    assert seen() == ("USED", "USED")
    assert pair.near.parts.service.pushes.depth() == 0


def test_an_alert_raised_here_is_seen_there_and_once_though_the_line_breaks(pair: Pair) -> None:
    def alerts(world: World) -> list[dict[str, Any]]:
        return list(world.parts.store.alerts(AlertFilter()).rows)

    pair.texts("BRIEF", "BAG-1", "1", "1", "0.5", "1")
    assert alerts(pair.far) == []
    pair.link.cuts = ["before the answer"] * 3
    pair.texts("3")  # out before the time was over
    pair.near.passes(timedelta(minutes=5))

    (here,) = alerts(pair.near)
    assert (here["rule"], here["district"], here["state"]) == ("step", "TAM", "open")
    assert alerts(pair.far) == [here]
    assert pair.link.cuts == []
    near, far = (w.parts.store.alert(here["id"]) for w in (pair.near, pair.far))
    assert near == far
    assert near is not None
    assert [line["what"] for line in near["history"]] == ["told", "told"]
    assert pair.near.parts.service.pushes.depth() == 0


def test_an_alert_that_the_other_side_does_not_know_yet_waits_and_is_not_lost(
    pair: Pair, bench: Bench, clock: FakeClock
) -> None:
    service = bench.service
    object.__setattr__(service, "store", Relay(pair.link.url, TOKEN))
    promise(bench.redis, [raised(alert("LOWF-8", rule="flood")), raised(alert())], clock)

    bench.works()

    assert [row["id"] for row in pair.far.api("alerts")["alerts"]] == ["LOWF-9"]
    assert set(Pushes(bench.redis).read(["alert|LOWF-8", "alert|LOWF-9"])) == {"alert|LOWF-8"}


def test_one_that_is_refused_does_not_hold_up_the_rest(
    pair: Pair, bench: Bench, clock: FakeClock, caplog: pytest.LogCaptureFixture
) -> None:
    local = Store("sqlite://")
    local.migrate()
    service = bench.service
    object.__setattr__(service, "store", Both(local, Relay(pair.link.url, TOKEN)))
    foreign: Batch = closed("N-2", district="BAO")  # the token is for another district
    docs: list[Pushed] = [record(closed("N-1")), record(foreign), record(closed("N-3")), USED]
    promise(bench.redis, docs, clock)

    with caplog.at_level(logging.INFO):
        bench.works()

    counted = {r["id"] for r in pair.far.parts.store.batches(BatchFilter()).rows}
    assert counted == {"N-1", "N-3"}
    assert {r["id"] for r in local.batches(BatchFilter()).rows} == {"N-1", "N-2", "N-3"}
    assert pair.condition(pair.far) == "USED"
    assert set(Pushes(bench.redis).read(["N-1", "N-2", "N-3", "set|BAG-1"])) == {"N-2"}
    assert "N-2" in caplog.text
    clock.passes(seconds=4)
    assert service.pushes.lease(clock().timestamp(), 9) == []
    clock.passes(seconds=1)
    assert service.pushes.lease(clock().timestamp(), 9) == ["N-2"]
    local.close()


def promise(redis: Redis, docs: list[Pushed], clock: FakeClock) -> None:
    due = repr(clock().timestamp())
    for doc in docs:
        if isinstance(doc, Conditions):
            ops = condition_ops(doc, due)
        elif isinstance(doc, Raised):
            ops = raised_ops(doc, due)
        else:
            assert isinstance(doc, Push)
            ops = push_ops(doc, due)
        for op in ops:
            redis.eval("return redis.call(unpack(ARGV))", 0, *op)
