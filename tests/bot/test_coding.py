"""How answers travel: marks, not modified, packed; as RFC 9110 has it."""

from __future__ import annotations

import gzip

import pytest
from werkzeug.datastructures import Headers
from werkzeug.test import EnvironBuilder
from werkzeug.wrappers import Request, Response

from bot.coding import LEAST_BYTES, settled

LONG = "Baobab Plain " * 200


def answer(body: str = LONG, method: str = "GET", *, own: str = "", weak: bool = False,
           status: int = 200, kind: str = "text/html", **headers: str) -> Response:  # fmt: skip
    """What *body* becomes for a request with *headers* (underscores for hyphens)."""
    made = Response(body, status, content_type=kind)
    if own:
        made.set_etag(own, weak)
    named = Headers({name.replace("_", "-"): value for name, value in headers.items()})
    return settled(made, Request(EnvironBuilder(method=method, headers=named).get_environ()))


def test_the_mark_is_of_the_body_alone() -> None:
    assert answer().headers["ETag"] == answer().headers["ETag"]
    assert answer().headers["ETag"] != answer(LONG + ".").headers["ETag"]
    assert not answer().headers["ETag"].startswith("W/")


@pytest.mark.parametrize("accepts", ["gzip", "gzip, deflate, br", "br;q=1.0, gzip;q=0.8", "*"])
def test_what_can_be_unpacked_comes_packed(accepts: str) -> None:
    packed = answer(Accept_Encoding=accepts)

    assert packed.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(packed.get_data()).decode() == LONG
    assert int(packed.headers["Content-Length"]) == len(packed.get_data()) < len(LONG) / 10
    assert packed.headers["ETag"] == answer(Accept_Encoding=accepts).headers["ETag"]
    assert packed.get_data() == answer(Accept_Encoding=accepts).get_data()


@pytest.mark.parametrize("accepts", ["", "identity", "gzip;q=0", "br", "*;q=0, identity",
                                     "gzip;q=0.5, identity"])
def test_what_cannot_be_unpacked_comes_plain(accepts: str) -> None:
    plain = answer(Accept_Encoding=accepts)

    assert "Content-Encoding" not in plain.headers
    assert plain.get_data(as_text=True) == LONG


@pytest.mark.parametrize(("body", "kind"), [
    ("x" * LEAST_BYTES, "text/html"), (LONG, "image/png"), (LONG, "application/zip")])
def test_what_would_gain_nothing_comes_plain(body: str, kind: str) -> None:
    plain = answer(body, kind=kind, Accept_Encoding="gzip")

    assert "Content-Encoding" not in plain.headers
    assert plain.get_data(as_text=True) == body


def test_other_bytes_have_another_strong_mark_and_share_a_weak_one() -> None:
    assert answer(Accept_Encoding="gzip").headers["ETag"] != answer().headers["ETag"]

    weak = answer(own="m", weak=True, Accept_Encoding="gzip")
    assert weak.headers["Content-Encoding"] == "gzip"
    assert weak.headers["ETag"] == 'W/"m"'


@pytest.mark.parametrize("accepts", ["gzip", "identity"])
@pytest.mark.parametrize("method", ["GET", "HEAD"])
@pytest.mark.parametrize("held", ["{}", "W/{}", '"other", {}'])
def test_what_the_asker_has_is_not_sent_again(accepts: str, method: str, held: str) -> None:
    mark = answer(Accept_Encoding=accepts).headers["ETag"]
    same = answer(method=method, Accept_Encoding=accepts, If_None_Match=held.format(mark))

    assert same.status_code == 304
    assert same.headers["ETag"] == mark
    assert "Accept-Encoding" in same.headers["Vary"]
    assert b"".join(same.get_app_iter({"REQUEST_METHOD": method})) == b""


def test_whoever_asks_for_what_she_has_not_in_any_form_gets_nothing() -> None:
    assert answer(If_None_Match="*").status_code == 304
    assert answer(If_None_Match="*", Accept_Encoding="gzip").status_code == 304


def test_the_plain_form_serves_who_could_also_unpack() -> None:
    mark = answer().headers["ETag"]
    same = answer(Accept_Encoding="gzip", If_None_Match=mark)

    assert (same.status_code, same.headers["ETag"]) == (304, mark)


def test_the_packed_form_serves_nobody_who_cannot_unpack() -> None:
    mark = answer(Accept_Encoding="gzip").headers["ETag"]
    plain = answer(If_None_Match=mark)

    assert plain.status_code == 200
    assert plain.get_data(as_text=True) == LONG


def test_another_mark_gets_the_whole() -> None:
    assert answer(If_None_Match='"other"').status_code == 200
    assert answer(LONG + ".", If_None_Match=answer().headers["ETag"]).status_code == 200


def test_the_head_of_an_answer_is_that_of_the_whole() -> None:
    whole, head = answer(Accept_Encoding="gzip"), answer(method="HEAD", Accept_Encoding="gzip")

    for name in ("ETag", "Content-Length", "Content-Encoding", "Content-Type", "Vary"):
        assert head.headers[name] == whole.headers[name]


@pytest.mark.parametrize(("method", "status"), [("POST", 200), ("GET", 404), ("GET", 503)])
def test_what_is_no_answer_to_a_reading_has_no_mark(method: str, status: int) -> None:
    left = answer(method=method, status=status, Accept_Encoding="gzip", If_None_Match="*")

    assert left.status_code == status
    assert "ETag" not in left.headers
    assert left.get_data(as_text=True) == LONG


def test_what_comes_piece_by_piece_is_left_so() -> None:
    made = Response(iter(["a", "b"]), content_type="text/csv")
    asked = Request(EnvironBuilder(headers=Headers({"Accept-Encoding": "gzip"})).get_environ())

    assert settled(made, asked).is_streamed
    assert "Content-Encoding" not in made.headers
