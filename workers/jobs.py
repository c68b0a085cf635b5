"""What RQ runs. Each job carries ids and no truth: run twice, late or never, nothing is lost."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol


class Worked(Protocol):
    """What a service does with nobody asking."""

    def ring(self, members: Sequence[str], /) -> None: ...
    def deliver(self, phones: Sequence[str], /) -> None: ...
    def push(self, batch_ids: Sequence[str], /) -> None: ...
    def post(self, ids: Sequence[str], /) -> None: ...


# RQ finds a job by its dotted name, so what it works on has to be found from this module.
_held: list[Worked] = []


def use(service: Worked) -> None:
    """Name the service that the jobs of this process work on. Done once, by whoever starts it."""
    _held[:] = [service]


def ring(members: list[str]) -> None:
    """Ring the timers *members*, each "<site id>|<batch id>"."""
    _service().ring(members)


def deliver(phones: list[str]) -> None:
    """Send what waits for *phones*."""
    _service().deliver(phones)


def push(batch_ids: list[str]) -> None:
    """Record what waits of *batch_ids* in the store."""
    _service().push(batch_ids)


def post(ids: list[str]) -> None:
    """Hand letters to the units that they are for."""
    _service().post(ids)


def _service() -> Worked:
    if not _held:
        raise RuntimeError("no service: call workers.jobs.use() before a worker starts")
    return _held[0]
