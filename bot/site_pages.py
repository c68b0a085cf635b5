"""The register's pages in Redis: whose a phone is, what each site is, on which board it stands.

They are published whole, and the newest register wins.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import cast

import msgspec
from redis import Redis
from redis.client import Pipeline

from bot.site import Site

PHONES = "sb:register:phones"
REVISION = "sb:register:revision"  # of the register that the pages show


def revision(redis: Redis) -> int:
    """The revision of the register that the pages show; 0 for none."""
    return int(cast("bytes | None", redis.get(REVISION)) or 0)


def publish(
    redis: Redis, sites: Iterable[Site], phones: Mapping[str, str], at_revision: int | None = None
) -> None:
    """Replace the register: *phones* maps each phone (E.164) to its site's id.

    Phones that left are forgotten at once. The page of a site that left stays, since a batch
    there may still be running and its bells need it; its district sees it no more. One older than
    what is shown changes nothing: of several processes that publish at once the newest register
    wins.
    """
    sites = tuple(sites)
    pages = [(f"sb:site:{site.id}", msgspec.json.encode(site)) for site in sites]

    def replace(pipe: Pipeline) -> None:
        known = {cast("bytes", phone).decode() for phone in pipe.smembers(PHONES)}
        if at_revision is not None and at_revision < int(pipe.get(REVISION) or 0):
            return
        gone = known - phones.keys()
        left = [(board, name) for board, there in _boards(sites).items()
                for name in cast("list[bytes]", pipe.hkeys(board))
                if name.decode() not in there]  # fmt: skip
        pipe.multi()
        for board, name in left:
            pipe.hdel(board, name)
        if at_revision is not None:
            pipe.set(REVISION, at_revision)
        for key, value in [*pages, *((f"sb:phone:{p}", i.encode()) for p, i in phones.items())]:
            pipe.set(key, value)
        for phone in gone:
            pipe.delete(f"sb:phone:{phone}")
        pipe.delete(PHONES)
        if phones:
            pipe.sadd(PHONES, *phones)

    redis.transaction(replace, PHONES, REVISION)


def _boards(sites: Iterable[Site]) -> dict[str, set[str]]:
    """The board of each district, and the facilities that may stand on it."""
    found: dict[str, set[str]] = {f"sb:board:{s.watches}": set() for s in sites if s.watches}
    for site in sites:
        if site.sets and f"sb:board:{site.district}" in found:
            found[f"sb:board:{site.district}"].add(site.id)
    return found
