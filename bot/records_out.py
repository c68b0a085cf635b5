"""What waits for the store: recorded, or answered by letter, each settled once it was taken."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from bot.effects import Amendments, CountsAsked, Post, Pushed
from bot.errors import StoreDown, whereabouts
from bot.posts import Posts
from bot.pushes import AMEND, COUNTS, SET, Pushes, read_amendments, read_counts_asked, read_push

log = logging.getLogger(__name__)


class Recorder(Protocol):
    """The store. Recording a state twice, or an older one late, changes nothing there.

    StoreDown: try all again later. Anything else: one of them cannot be taken, as it is now.
    """

    def record(self, pushes: list[Pushed], /) -> object: ...


@dataclass(frozen=True, slots=True)
class RecordsOut:
    """The way to the store, from what the turns promised. It may be gone again after a crash."""

    pushes: Pushes
    posts: Posts
    store: Recorder
    register: Callable[[Amendments], Iterable[Post]]
    counting: Callable[[CountsAsked], Iterable[Post]]
    clock: Callable[[], datetime]

    def push(self, names: Sequence[str]) -> None:
        """Record what waits under *names* of batches and sets, which the caller has leased."""
        raw = self.pushes.read(names)
        for name in [name for name in raw if name.startswith((AMEND, COUNTS))]:
            self._answer(name, raw.pop(name))
        if not raw:
            return
        try:
            self.store.record([read_push(name, doc) for name, doc in raw.items()])
        except StoreDown:
            self._postpone(raw)
        except Exception as error:  # one bad record must not hold up the rest
            log.error("records are pushed one by one: %s", whereabouts(error))  # noqa: TRY400
            self._push_each(raw)
        else:
            for name, doc in raw.items():
                self.pushes.settle(name, doc, self._now())

    def _answer(self, name: str, doc: bytes) -> None:
        """Have the register changed, or counts told. The answers are letters, promised before this
        is settled: a crash between the two asks again, and gets letters of the same ids, which are
        read once."""
        try:
            for post in self._answers(name, doc):
                self.posts.put(post)
        except Exception as error:
            if not isinstance(error, StoreDown):
                log.error("%s was not taken: %s", name, whereabouts(error))  # noqa: TRY400
            self.pushes.postpone(name, self._now())
        else:
            self.pushes.settle(name, doc, self._now())

    def _answers(self, name: str, doc: bytes) -> Iterable[Post]:
        if name.startswith(COUNTS):
            return self.counting(read_counts_asked(doc))
        return self.register(read_amendments(doc))

    def _push_each(self, raw: Mapping[str, bytes]) -> None:
        left = dict(raw)
        # Batches before sets: a condition may need the batch that proves it.
        for name in sorted(raw, key=lambda name: name.startswith(SET)):
            try:
                self.store.record([read_push(name, left[name])])
            except StoreDown:  # no use to wait for it once more for each of the rest
                self._postpone(left)
                return
            except Exception as error:
                log.error("%s was not recorded: %s", name, whereabouts(error))  # noqa: TRY400
                self.pushes.postpone(name, self._now())
            else:
                self.pushes.settle(name, left[name], self._now())
            del left[name]

    def _postpone(self, names: Iterable[str]) -> None:
        for name in names:
            self.pushes.postpone(name, self._now())

    def _now(self) -> float:
        return self.clock().timestamp()
