"""The form for a solution's label: what was typed, what is wrong with it, what is printed.

A solution weaker than the protocol asks, over its life or from the future gets no label, but a
sentence that says what to do.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from bot.site import Site
from flows.label import Label, What, label
from flows.protocol import Protocol

PRODUCTS: Mapping[str, What] = {
    "bleach": "bleach",
    "calcium hypochlorite": "calcium hypochlorite",
    "chlorinated lime": "chlorinated lime",
    "NaDCC": "NaDCC",
}
FIELDS = ("product", "percent", "target", "made", "by", "celsius")
MOST_LETTERS = 5  # initials, not a name
MINUTE = "%Y-%m-%dT%H:%M"  # as a browser's field for date and time writes it


class Wrong(ValueError):
    """What was typed cannot be; the message is a kind sentence."""


@dataclass(frozen=True, slots=True)
class Printed:
    """A label as it is read: strengths in per cent, moments in the facility's *zone*."""

    what: str
    percent: str
    target: str
    made: str
    by: str
    discard: str
    doubtful: str
    zone: str


def blank(protocol: Protocol, zone: str, now: datetime) -> dict[str, str]:
    """The fields before anybody typed."""
    return {
        "product": "bleach",
        "percent": "",
        "target": f"{protocol['chlorine.target_percent']:g}",
        "made": f"{now.astimezone(ZoneInfo(zone)):{MINUTE}}",
        "by": "",
        "celsius": "",
    }


def printed(typed: Mapping[str, str], site: Site, protocol: Protocol, now: datetime) -> Printed:
    """The label that *typed* asks for. Raises Wrong."""
    target = _target(typed, protocol)
    percent = _percent(typed, target, protocol)
    made = _made(typed, site.zone, now)
    try:
        tag = label(
            _product(typed),
            percent,
            made,
            _by(typed),
            life_hours=protocol["chlorine.solution_life_hours"],
            celsius=_celsius(typed),
            hot_above_celsius=protocol["chlorine.nadcc_hot_above_c"],
            hot_life_hours=protocol["chlorine.nadcc_hot_hours"],
        )
    except ValueError as error:
        raise Wrong(str(error)) from error
    if tag.condition(now) == "discard":
        raise Wrong("This solution is over already. Throw it away and make it new.")
    return _shown(tag, target, site.zone)


def _shown(tag: Label, target: float, zone: str) -> Printed:
    return Printed(
        what=f"CHLORINE ({tag.what})",
        percent=f"{math.floor(round(tag.percent * 100, 6)) / 100:g}",
        target=f"{target:g}",
        made=_moment(tag.made_at, zone),
        by=tag.by,
        discard=_moment(tag.discard_at, zone),
        doubtful=_moment(tag.warn_at, zone) if tag.warn_at else "",
        zone=zone,
    )


def _moment(moment: datetime, zone: str) -> str:
    return f"{moment.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}"


# ---- what was typed -----------------------------------------------------------------------------


def _product(typed: Mapping[str, str]) -> What:
    product = PRODUCTS.get(typed["product"])
    if product is None:
        raise Wrong("Please choose the product from the list.")
    return product


def _number(text: str, what: str) -> float:
    try:
        value = float(text.strip().rstrip("%").replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise Wrong(f"Please write {what} as a number, such as 0.5.")
    return value


def _target(typed: Mapping[str, str], protocol: Protocol) -> float:
    target, asked = _number(typed["target"], "the target"), protocol["chlorine.target_percent"]
    if target < asked:
        raise Wrong(f"The target is weaker than the protocol asks: {asked:g} %. Please correct it.")
    return target


def _percent(typed: Mapping[str, str], target: float, protocol: Protocol) -> float:
    percent, most = _number(typed["percent"], "the strength"), protocol["chlorine.most_percent"]
    if percent < target:
        raise Wrong(f"This is weaker than the target of {target:g} %. Do not use it: make it new.")
    if percent > most:
        raise Wrong(f"This is stronger than the protocol allows: {most:g} %. Make it new.")
    return percent


def _made(typed: Mapping[str, str], zone: str, now: datetime) -> datetime:
    try:
        text = f"{typed['made'].strip().replace(' ', 'T')[:16]}+0000"
        local = datetime.strptime(text, f"{MINUTE}%z").replace(tzinfo=ZoneInfo(zone))
        made = local.astimezone(UTC)
    except (ValueError, OverflowError):
        raise Wrong("Please write when it was made as 2025-03-31 08:15.") from None
    if made > now:
        raise Wrong("It cannot have been made in the future. Please correct the time.")
    return made


def _by(typed: Mapping[str, str]) -> str:
    by = typed["by"].strip().replace(".", "").replace(" ", "")
    if not by.isalpha() or len(by) > MOST_LETTERS:
        raise Wrong("Please write the initials of whoever made it: up to five letters.")
    return by.upper()


def _celsius(typed: Mapping[str, str]) -> float | None:
    """How warm it is kept; None where nobody says, which counts as hot."""
    text = typed["celsius"].strip()
    return _number(text, "how warm it is") if text else None
