"""The lists of gaps and of solutions that were made, as the API gives them and takes them in."""

from __future__ import annotations

from typing import Any

import msgspec
from flask import Response, request

from bot.api_asked import district, limit, midnight, or_400, table, yes_or_no
from bot.effects import Gap, Mixed
from bot.store import GapFilter, MixFilter, Store

GAPS: msgspec.json.Decoder[Any] = msgspec.json.Decoder(Gap | list[Gap])
MIXES: msgspec.json.Decoder[Any] = msgspec.json.Decoder(Mixed | list[Mixed])


def gaps(store: Store, own: str | None) -> Response:
    """Times in which no set of a kind was READY, for one who may see *own* only (None: all)."""
    args = request.args
    wanted = GapFilter(
        facility=args.get("facility", ""), district=district(own), kind=args.get("kind", ""),
        lasting=yes_or_no("lasting"), since=midnight("from"), until=midnight("to", days_later=1),
        limit=limit(), after=args.get("after", ""),
    )
    page = or_400(store.gaps, wanted)
    return table("gaps", page.rows, page.next)


def mixes(store: Store, own: str | None) -> Response:
    """Chlorine solutions that were made."""
    args = request.args
    wanted = MixFilter(
        facility=args.get("facility", ""), district=district(own), ended=args.get("ended", ""),
        since=midnight("from"), until=midnight("to", days_later=1),
        limit=limit(), after=args.get("after", ""),
    )
    page = or_400(store.mixes, wanted)
    return table("mixes", page.rows, page.next)
