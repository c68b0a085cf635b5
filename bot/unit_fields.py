"""A unit as the fields of its hash: read from them, and the commands that bring them up to date."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

import msgspec

from bot.alert import Alert, Tally, Watch
from bot.amend import Amend, Invite
from bot.check import Check
from bot.joins import join_ops
from bot.leases import Op
from bot.model import Reminder, SetState, Spores, Standing, Talk, Unit
from bot.site import Site
from flows.batch import Batch

T = TypeVar("T")


def read_unit(
    page: bytes, fields: Mapping[str, bytes], board: Mapping[str, bytes] | None = None
) -> Unit:
    """The unit in a site's page, its hash and its district's *board*; msgspec.ValidationError if
    they hold nonsense."""
    return Unit(
        site=msgspec.json.decode(page, type=Site),
        version=int(fields.get("v", 0)),
        serial=int(fields.get("serial", 0)),
        talks=some(fields, "talk:", Talk),
        batches=some(fields, "batch:", Batch),
        sets=some(fields, "set:", SetState),
        reminders=some(fields, "reminder:", Reminder),
        spores=msgspec.json.decode(fields.get("spores", b"{}"), type=Spores),
        alerts=some(fields, "alert:", Alert),
        watch=msgspec.json.decode(fields.get("watch", b"{}"), type=Watch),
        tally=msgspec.json.decode(fields.get("tally", b"{}"), type=Tally),
        check=msgspec.json.decode(fields.get("check", b"{}"), type=Check),
        board=some(board or {}, "", Standing),
        invites=some(fields, "invite:", Invite),
        amends=some(fields, "amend:", Amend),
    )


def some(fields: Mapping[str, bytes], prefix: str, kind: type[T]) -> dict[str, T]:
    """What the *fields* that begin with *prefix* hold, by the rest of their names."""
    return {
        name.removeprefix(prefix): msgspec.json.decode(raw, type=kind)
        for name, raw in fields.items()
        if name.startswith(prefix)
    }


def unit_ops(before: Unit, after: Unit) -> list[Op]:
    """The commands that turn *before* into *after* in Redis; the version goes up by one."""
    key = f"sb:unit:{after.site.id}"
    ops = [["HSET", key, "v", str(before.version + 1)]]
    if after.serial != before.serial:
        ops.append(["HSET", key, "serial", str(after.serial)])
    for name in ("spores", "watch", "tally", "check"):
        value = getattr(after, name)
        if value != getattr(before, name):
            ops.append(["HSET", key, name, msgspec.json.encode(value).decode()])
    ops += _field_ops(key, "talk:", before.talks, after.talks)
    ops += _field_ops(key, "batch:", before.batches, after.batches)
    ops += _field_ops(key, "set:", before.sets, after.sets)
    ops += _field_ops(key, "reminder:", before.reminders, after.reminders)
    ops += _field_ops(key, "alert:", before.alerts, after.alerts)
    ops += _field_ops(key, "invite:", before.invites, after.invites)
    ops += _field_ops(key, "amend:", before.amends, after.amends)
    return ops + join_ops(after.site.id, before.invites, after.invites)


def _field_ops(key: str, prefix: str, old: Mapping[str, T], new: Mapping[str, T]) -> list[Op]:
    gone = [["HDEL", key, prefix + name] for name in old.keys() - new.keys()]
    changed = [
        ["HSET", key, prefix + name, msgspec.json.encode(value).decode()]
        for name, value in new.items()
        if old.get(name) is not value and old.get(name) != value
    ]
    return gone + changed
