"""How an answer travels: with a mark of what it holds, not at all where the asker has it already,
and packed where that is shorter and the asker can unpack it (RFC 9110, RFC 9111).
"""

from __future__ import annotations

import gzip
import hashlib
from typing import TypeVar

from werkzeug.wrappers import Request, Response

R = TypeVar("R", bound=Response)

LEAST_BYTES = 1024  # a shorter one goes in one packet either way
LEVEL = 6  # most of what the highest gains, in half its time
PACKED = "-gzip"  # ends the mark of a packed answer: other bytes, another strong mark
_PACKABLE = ("text/", "application/json", "application/xml", "image/svg+xml")


def settled(answer: R, asked: Request) -> R:
    """*answer* with its ETag, as 304 where *asked* has it, else packed if that may be.

    Its own ETag, if it has one, is kept. What comes piece by piece is left as it is.
    """
    answer.vary.add("Accept-Encoding")
    if (answer.status_code != 200 or asked.method not in {"GET", "HEAD"}
            or answer.is_streamed or answer.direct_passthrough):
        return answer
    body = answer.get_data()
    if "ETag" not in answer.headers:
        answer.set_etag(hashlib.sha256(body).hexdigest()[:32])
    packs = _is_worth_packing(answer, body) and _can_unpack(asked)
    if packs and not _holds(answer, asked):
        _mark_packed(answer)
    answer.make_conditional(asked)
    if packs and answer.status_code == 200:
        answer.set_data(gzip.compress(body, LEVEL, mtime=0))
        answer.content_encoding = "gzip"
    return answer


def _is_worth_packing(answer: Response, body: bytes) -> bool:
    return (len(body) > LEAST_BYTES and (answer.mimetype or "").startswith(_PACKABLE)
            and not answer.content_encoding)


def _can_unpack(asked: Request) -> bool:
    return asked.accept_encodings.best_match(("gzip", "identity")) == "gzip"


def _holds(answer: Response, asked: Request) -> bool:
    """Has the asker the plain form? It is as good as the packed one, and nothing need be sent."""
    return asked.if_none_match.contains_weak(answer.get_etag()[0] or "")


def _mark_packed(answer: Response) -> None:
    """A weak mark stands for both forms, a strong one for the very bytes."""
    mark, weak = answer.get_etag()
    if mark and not weak:
        answer.set_etag(mark + PACKED)
