"""Pictures of invented numbers, one of each kind, and how to read an svg again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from typing import NamedTuple
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

from bot import pictures
from bot.pictures import Facility, Month, Picture, Point, Risk, Span, Stage, Stay, Value
from flows import planning, run_charts, statistics

LIGHT = 15_000  # bytes that a picture has at most
SVG = "{http://www.w3.org/2000/svg}"

# NIST/SEMATECH e-Handbook 6.3.3.2: defective of 50 on 30 wafers; beyond the limits are 15 and 23.
WAFERS = (12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15,
          9, 12, 7, 13, 9, 6)  # fmt: skip
SHIFTED = (0.5, 0.52, 0.5, None, 0.4, 0.57, 0.6, 0.62, 0.3, 0.35, 0.31, 0.3, 0.2, 0.33)
MONTHS = (("2026-01", 30, 10), ("2026-02", 0, 0), ("2026-03", 12, 48))
STAGES = (("Opened", 120), ("Rinsed", 112), ("Exposure over", 92), ("READY", 84))
BEGIN = datetime(2026, 3, 1, 6, tzinfo=UTC)
ZONE = ZoneInfo("Africa/Dar_es_Salaam")


def control(name: str = "Month", link: str = "") -> Picture:
    points = [Point(f"{name} {i + 1}", k, 50, link) for i, k in enumerate(WAFERS)]
    return pictures.control_chart(
        "control", name, f"{name} missed", points, statistics.p_chart(WAFERS, [50] * len(WAFERS))
    )


def run(name: str = "Month") -> Picture:
    values = [Value(f"{name} {i + 1}", value) for i, value in enumerate(SHIFTED)]
    return pictures.run_chart("run", name, f"{name} share", values, run_charts.run_chart(SHIFTED))


def funnel(name: str = "Facility") -> Picture:
    inside = [Facility(f"{name} {n}", round(0.9 * n), n, f"/desk/{n}") for n in (10, 60, 90)]
    outside = [Facility(f"{name} low", 30, 50), Facility(f"{name} lower", 41, 100)]
    return pictures.funnel("funnel", name, f"{name} released", [*inside, *outside], 0.9)


def turnaround(name: str = "use to READY") -> Picture:
    times = {95: 10, 130: 39, 135: 11, 200: 25, 255: 10, 300: 4, 900: 1}
    return pictures.turnaround("turnaround", name, name, times)


def methods(name: str = "chlorine") -> Picture:
    months = [Month(label, {name: a, "boiling": b}) for label, a, b in MONTHS]
    return pictures.methods("methods", name, months)


def stages(name: str = "") -> Picture:
    reached = [Stage(f"{said}{name}", number) for said, number in STAGES]
    return pictures.stages("stages", f"Stages{name}", reached)


def week(name: str = "bag and mask") -> Picture:
    shares: list[list[float | None]] = [[(day + hour) % 8 / 8 + 0.125 for hour in range(24)]
                                        for day in range(7)]  # fmt: skip
    shares[2][3], shares[6][4], shares[1][1] = None, 0.0, 0.999
    return pictures.week("week", name, name, shares)


def risk(owned: int = 2, needed: int = 4) -> Picture:
    curve = [Risk(sets, planning.erlang_b(sets, 0.6)) for sets in range(8)]
    return pictures.risk_curve("risk", "Risk", curve, owned, needed, 0.01)


def timeline(name: str = "TAM-7", condition: str = "USED") -> Picture:
    def at(hours: float) -> datetime:
        return BEGIN + timedelta(hours=hours)

    spans = [Span("READY", at(0), at(30)), Span(condition, at(30), at(32)),
             Span("IN PROCESS", at(32), at(36)), Span("READY", at(36), at(48))]  # fmt: skip
    stays = [Stay(name, at(32), at(36), f"/desk/batch/{name}")]
    return pictures.timeline("timeline", name, spans, stays, ZONE)


# One of each; those that show names take one.
ALL: Mapping[str, Callable[[], Picture]] = {
    "control": control, "run": run, "funnel": funnel, "turnaround": turnaround, "methods": methods,
    "stages": stages, "week": week, "risk": risk, "timeline": timeline,
}  # fmt: skip
NAMED: Mapping[str, Callable[[str], Picture]] = {
    "control": control, "run": run, "funnel": funnel, "turnaround": turnaround, "methods": methods,
    "stages": stages, "timeline": lambda name: timeline(name, name),
}  # fmt: skip
EMPTY: Mapping[str, Callable[[], Picture]] = {
    "control": lambda: pictures.control_chart("c", "C", "x", [], statistics.p_chart([], [])),
    "gaps": lambda: pictures.control_chart("g", "G", "x", [Point("Month 1", 0, 0)],
                                           statistics.p_chart([0], [0])),
    "run": lambda: pictures.run_chart("r", "R", "x", [], run_charts.run_chart([])),
    "funnel": lambda: pictures.funnel("f", "F", "x", [Facility("Mwera", 0, 0)], 0.9),
    "turnaround": lambda: pictures.turnaround("t", "T", "x", {}),
    "methods": lambda: pictures.methods("m", "M", [Month("2026-01", {"chlorine": 0})]),
    "stages": lambda: pictures.stages("s", "S", [Stage("Opened", 0), Stage("READY", 0)]),
    "week": lambda: pictures.week("w", "W", "bag", [[None] * 24] * 7),
    "risk": lambda: pictures.risk_curve("k", "K", [], 2, 4, 0.01),
    "timeline": lambda: pictures.timeline("l", "L", [], [], ZONE),
}  # fmt: skip


class Drawn(NamedTuple):
    """One element of an svg with all that holds for it."""

    tag: str
    look: dict[str, str]
    text: str


def parsed(picture: Picture) -> ET.Element:
    return ET.fromstring(picture.svg)  # noqa: S314  (it is what is tested)


def drawn(picture: Picture) -> list[Drawn]:
    """What a reader of XML finds in the picture, groups dissolved."""
    return list(_walk(parsed(picture), {}))


def _walk(element: ET.Element, above: dict[str, str]) -> Iterator[Drawn]:
    look = above | dict(element.attrib)
    if element.tag != f"{SVG}g":
        yield Drawn(element.tag.removeprefix(SVG), look, element.text or "")
    for child in element:
        yield from _walk(child, above if element.tag == f"{SVG}svg" else look)


def texts(picture: Picture) -> list[str]:
    return [one.text for one in drawn(picture) if one.tag == "text"]


def of_kind(picture: Picture, kind: str) -> list[Drawn]:
    """The marks or blocks of one class, from left to right."""
    found = [one for one in drawn(picture) if one.look.get("class") == kind
             and one.tag in {"use", "path"}]  # fmt: skip
    return sorted(found, key=lambda one: float(one.look.get("x", 0)))
