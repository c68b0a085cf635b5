"""The lists of gaps and of solutions that were made, as the API gives them."""

from __future__ import annotations

from flask import Response

from bot.api_asked import district, limit, listed, midnight, or_400, text, yes_or_no
from bot.store import GapFilter, MixFilter, Store


def gaps(store: Store, own: str | None) -> Response:
    """Times in which no set of a kind was READY, for one who may see *own* only (None: all)."""
    wanted = GapFilter(
        facility=text("facility"), district=district(own), kind=text("kind"),
        lasting=yes_or_no("lasting"), since=midnight("from"), until=midnight("to", days_later=1),
        limit=limit(), after=text("after"),
    )
    return listed("gaps", or_400(store.gaps, wanted))


def mixes(store: Store, own: str | None) -> Response:
    """Chlorine solutions that were made."""
    wanted = MixFilter(
        facility=text("facility"), district=district(own), ended=text("ended"),
        since=midnight("from"), until=midnight("to", days_later=1),
        limit=limit(), after=text("after"),
    )
    return listed("mixes", or_400(store.mixes, wanted))
