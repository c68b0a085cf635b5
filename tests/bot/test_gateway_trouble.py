"""Messages that do not go out: every way ends in one of two errors that give nothing away."""

from __future__ import annotations

import inspect
import socket
import threading
from collections.abc import Iterator

import pytest
import requests
import urllib3.exceptions
from requests.exceptions import RequestException

from bot.errors import ConfigError, GatewayDown, GatewayRefused
from bot.gateway import Gateway, read_shape
from tests.bot.gateway_stand import KEY, PHONE, Server, failure, gateway, serving


@pytest.fixture
def server() -> Iterator[Server]:
    with serving() as behaviour:
        yield behaviour


# ---- no answer -----------------------------------------------------------------------------


def test_a_slow_gateway_is_tried_later(server: Server) -> None:
    server.held = threading.Event()

    assert isinstance(failure(server, timeouts=(2.0, 0.2)), GatewayDown)


def test_a_closed_connection_is_tried_later(server: Server) -> None:
    server.answer = None

    assert isinstance(failure(server), GatewayDown)


def test_an_answer_cut_short_is_tried_later(server: Server) -> None:
    server.form(101)
    server.headers = {"Content-Length": "5000"}

    assert isinstance(failure(server), GatewayDown)


def test_an_answer_packed_wrongly_is_tried_later(server: Server) -> None:
    server.form(101)
    server.headers = {"Content-Encoding": "gzip"}

    assert isinstance(failure(server), GatewayDown)


def test_a_gateway_that_is_not_there_is_tried_later() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # bound and not listening: a connection is refused
        nobody = Server(url=f"http://127.0.0.1:{taken.getsockname()[1]}")

        assert isinstance(failure(nobody), GatewayDown)


@pytest.mark.parametrize("url", ["nonsense", "http://", "ftp://gateway.example", "http://[::1"])
def test_an_impossible_address_is_tried_later(url: str) -> None:
    assert isinstance(failure(Server(url=url)), GatewayDown)


def test_the_gateway_works_again_after_an_error(server: Server) -> None:
    with gateway(server) as subject:
        server.answer = None
        with pytest.raises(GatewayDown):
            subject.send(PHONE, "hello")
        server.form(101)

        assert subject.send(PHONE, "hello").message_id == "id-1"


def test_a_text_that_cannot_be_encoded_is_refused(server: Server) -> None:
    with gateway(server) as subject, pytest.raises(GatewayRefused):
        subject.send(PHONE, "half a character \ud83d")

    assert server.seen == []


def _of(module: object, base: type[Exception]) -> list[type[Exception]]:
    found = [cls for _, cls in inspect.getmembers(module, inspect.isclass)]
    return [cls for cls in found if issubclass(cls, base) and not issubclass(cls, Warning)]


BELOW = {*_of(requests.exceptions, RequestException), *_of(requests, RequestException)}
DEEPER = set(_of(urllib3.exceptions, urllib3.exceptions.HTTPError))


@pytest.mark.parametrize("kind", sorted(BELOW | DEEPER, key=str), ids=lambda kind: kind.__name__)
def test_no_exception_from_below_is_left_unmapped(kind: type[Exception], server: Server) -> None:
    class Failing(requests.Session):
        def request(self, *_: object, **__: object) -> requests.Response:
            raise kind.__new__(kind, f"to {PHONE} with {KEY}")

    error = failure(server, session=Failing)

    assert isinstance(error, GatewayDown)
    assert kind.__name__ in str(error)


def test_every_exception_that_requests_defines_is_among_those_walked() -> None:
    module = requests.exceptions
    own = [c for c in _of(module, Exception) if c.__module__ == module.__name__]

    assert len(own) > 20
    assert set(own) <= BELOW


# ---- secrets -------------------------------------------------------------------------------


@pytest.mark.parametrize("key", ["a\nb", "ключ", "tab\there"])
def test_a_key_that_no_header_can_carry_is_refused_at_once_and_not_shown(key: str) -> None:
    with pytest.raises(ConfigError) as caught:
        Gateway(read_shape(), "http://gateway.example", "district", key)

    assert key not in str(caught.value)


def test_repr_shows_no_credentials() -> None:
    shown = repr(Gateway(read_shape(), "http://gateway.example", "account-name", KEY))

    assert KEY not in shown
    assert "account-name" not in shown
