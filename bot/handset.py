"""The handset: a plain phone on a web page, for demonstration and training.

It speaks to the bot only through the gateway's own HTTP calls: the page posts to the webhooks as
a gateway would, and reads what the demo's gateway laid on the phones. What the bot knows of a
batch is shown beside the phone, and nothing on the page can change it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec
from flask import Blueprint, Response, abort, render_template, request

from bot.clock import utc_now
from bot.mailbox import Light, Mailbox
from bot.pages import guard

Row = Mapping[str, Any]
SiteView = Callable[[], Sequence[Row]]
BatchView = Callable[[str], Row | None]


@dataclass(frozen=True, slots=True)
class Line:
    """How the bot is reached in this demonstration: its SMS number and its USSD code."""

    sms_code: str = "50000"
    ussd_code: str = "*500#"
    network: str = "99999"


def handset(  # noqa: PLR0913  (the wiring names every part once)
    site_view: SiteView,
    batch_view: BatchView,
    mailbox: Mailbox,
    key: str,
    speed: float = 1.0,
    *,
    line: Line | None = None,
    invented: bool = True,
    kept: bool = False,
    clock: Callable[[], datetime] = utc_now,
) -> Blueprint:
    """The page and its three small readings.

    *site_view* gives the people who may hold the phone, each a row of `name`, `role`, `facility`,
    `phone`, `sets` (rows of `id`, `model`, `condition` and, if it has one, `until`, a datetime)
    and, if known, `zone` (an IANA name). *batch_view* gives what the bot knows of the batch that
    a phone is working on: `id`, `about` (sentences), `due` (datetime or None), `log` (rows of
    `at`, `by`, `what`), `findings` (sentences, each a reason why not READY) and `outcome` ("" while
    open); None when there is none. *key* opens the webhooks; *speed* is how many times faster
    exposures run here; *invented* and *kept* choose what the page says of its data.
    """
    if speed <= 0:
        raise ValueError("the speed of exposures must be above 0")
    pages = Blueprint("handset", __name__, url_prefix="/handset")
    pages.after_request(guard)

    @pages.get("")
    def page() -> str:
        banners = _banners(speed, invented=invented, kept=kept)
        return render_template("handset.html", key=key, line=line or Line(), banners=banners)

    @pages.get("/people.json")
    def people() -> Response:
        rows = site_view()
        lights = mailbox.lights([str(row["phone"]) for row in rows])
        return _json([_person(row, light) for row, light in zip(rows, lights, strict=True)])

    @pages.get("/inbox.json")
    def inbox() -> Response:
        messages = mailbox.messages(_phone(request.args), _after(request.args))
        return _json([{"n": m.n, "text": m.text, "at": m.at} for m in messages])

    @pages.get("/knows.json")
    def knows() -> Response:
        phone = _phone(request.args)
        holder = next((row for row in site_view() if row["phone"] == phone), None)
        conditions = holder["sets"] if holder else ()
        return _json({"now": clock(), "batch": batch_view(phone), "conditions": conditions})

    @pages.post("/power")
    def power() -> Response:
        mailbox.switch(_phone(request.form), off=request.form.get("off") == "1")
        return Response(status=204)

    return pages


def _banners(speed: float, *, invented: bool, kept: bool) -> list[str]:
    """The plain sentences above the phone, so that nobody takes the demonstration for service."""
    data = "Demonstration on invented data." if invented else ""
    loss = "" if kept else "Nothing is kept when it stops."
    hurry = "" if speed == 1 else f"Demonstration: exposures run {speed:g} times faster here."
    return [sentence for sentence in (f"{data} {loss}".strip(), hurry) if sentence]


def _person(row: Row, light: Light) -> dict[str, Any]:
    return {**row, **light._asdict()}


def _phone(fields: Mapping[str, str]) -> str:
    """The `phone` field. A plus sign that was not escaped arrives as a space; it is meant."""
    digits = fields.get("phone", "").strip().removeprefix("+")
    if not digits.isdecimal() or not digits.isascii():
        abort(400, "phone must be a number with its plus sign")
    return f"+{digits}"


def _after(fields: Mapping[str, str]) -> int:
    after = fields.get("after", "0")
    if not after.isdecimal() or not after.isascii():
        abort(400, "after must be a whole number")
    return int(after)


def _json(data: object) -> Response:
    return Response(msgspec.json.encode(data), mimetype="application/json")
