"""The bench card and the paper log of one facility, as data: its methods and its numbers.

Nothing here is weaker than the protocol: pressures are rounded up, what was reached is rounded
down, and a bottle that may have faded is shown with the test it needs first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from bot.cli_trade_words import CAUTIONS, reading
from bot.cupboard import doubtful, fades, lacking, shown_percent
from bot.desk_words import FIRST_AID, LATE_AROUND, LATE_LINE, METHOD_NAMES, TIMES, line, record
from bot.site import Bottle, Site
from flows.heat import a0_seconds, boiling_point_c, gauge_kpa, kpa_to_psi
from flows.protocol import Cycle, Protocol
from flows.release import AFTER, BEFORE, BY_METHOD, VINEGAR
from flows.solutions import make_up, whole_parts

SHARED = (
    "storage.container_days",
    "storage.wrapped_days",
    "danger.rinse_minutes",
    "danger.blood_hours",
)
MISSING = {
    "stock": "which chlorine product it holds",
    "bucket": "how much the soak container takes",
    "measures": "what there is to measure with",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a sheet: *mark* of the log, what is done, what a paper log asks for at it."""

    mark: str
    text: str
    record: str
    time: str


@dataclass(frozen=True, slots=True)
class CycleRow:
    """A cycle of the table with what the gauge must show here, never rounded below it."""

    cycle: Cycle
    kpa: str
    psi: str


@dataclass(frozen=True, slots=True)
class Way:
    """A method of the facility: its lines, or *why_not* it may not be used here.

    *late* is the text that brings a batch from paper in.
    """

    method: str
    name: str
    rows: tuple[Row, ...]
    minutes: str
    why_not: str = ""
    cycles: tuple[CycleRow, ...] = ()
    late: str = ""
    boils_at: str = ""
    a0: str = ""


@dataclass(frozen=True, slots=True)
class Mix:
    """How one product is mixed for the soak container. *doubt*: what must be done before that."""

    name: str
    doubt: str
    refused: str = ""
    product: str = ""
    water: str = ""
    made_ml: str = ""
    percent: str = ""
    parts: str = ""
    cautions: tuple[str, ...] = ()


def numbers(protocol: Protocol, method: str = "") -> dict[str, str]:
    """The protocol's numbers that the lines name, as text."""
    minutes = protocol.values.get(f"{method}.exposure_minutes")
    return {
        "minutes": f"{minutes:g}" if minutes is not None else "",
        "longest": f"{protocol['chlorine.max_minutes']:g}",
        "target": f"{protocol['chlorine.target_percent']:g}",
        "most": f"{protocol['chlorine.most_percent']:g}",
        "life": f"{protocol['chlorine.solution_life_hours']:g}",
        "rinses": f"{protocol['chlorine.rinses_count']:g}",
        "vinegar": f"{protocol['vinegar.exposure_minutes']:g}",
        "vinegar_parts": f"1 part vinegar to {protocol['vinegar.parts_water']:g} water",
    }


def before(protocol: Protocol) -> tuple[Row, ...]:
    """The stages up to the method, the vinegar for scale among them."""
    return _rows((*BEFORE[:-1], *VINEGAR, BEFORE[-1]), "", numbers(protocol))


def after(protocol: Protocol) -> tuple[Row, ...]:
    """The stages that follow every method."""
    return _rows(AFTER, "", numbers(protocol))


def first_aid(protocol: Protocol) -> tuple[str, ...]:
    """A line for each kind of accident."""
    rinse, blood = protocol["danger.rinse_minutes"], protocol["danger.blood_hours"]
    return tuple(text.format(rinse=f"{rinse:g}", blood=f"{blood:g}") for text in FIRST_AID)


def ways(site: Site, protocol: Protocol) -> tuple[Way, ...]:
    """Each method of *site*, with what it asks for at its altitude."""
    return tuple(_way(site, protocol, method) for method in site.methods)


def _rows(marks: Sequence[str], method: str, values: Mapping[str, str]) -> tuple[Row, ...]:
    return tuple(
        Row(m, line(m, method, values), record(m, method), TIMES.get(m, "")) for m in marks
    )


def _way(site: Site, protocol: Protocol, method: str) -> Way:
    values = numbers(protocol, method)
    heated = method in ("boiling", "steaming")
    boils = boiling_point_c(max(site.altitude_m, 0))
    return Way(
        method=method,
        name=METHOD_NAMES[method],
        rows=_rows(BY_METHOD[method], method, values),
        minutes=values["minutes"],
        why_not=_why_not(site, protocol, method),
        cycles=cycle_rows(site, protocol) if method == "autoclave" else (),
        late=LATE_AROUND.format(how=LATE_LINE[method]),
        boils_at=f"{math.floor(boils * 10) / 10:g}" if heated else "",
        a0=_a0(boils, protocol) if method == "boiling" else "",
    )


def _why_not(site: Site, protocol: Protocol, method: str) -> str:
    if site.altitude_m > protocol.values.get(f"{method}.max_altitude_m", math.inf):
        return "This place is too high above the sea for this method. Use another one."
    if method == "autoclave" and not protocol.cycles_for(site.autoclave):
        return "The protocol has no cycle for this machine. Use another method."
    return ""


def _a0(celsius: float, protocol: Protocol) -> str:
    """A0 of the boil to two figures, rounded down."""
    seconds = protocol["boiling.exposure_minutes"] * 60
    a0 = a0_seconds([(0, celsius), (seconds, celsius)])
    step = 10 ** max(math.floor(math.log10(a0)) - 1, 0) if a0 >= 1 else 1
    return f"{math.floor(a0 / step) * step:d}"


def cycle_rows(site: Site, protocol: Protocol) -> tuple[CycleRow, ...]:
    """The cycles of the facility's machine, with the gauge that each needs at its altitude."""
    return tuple(
        CycleRow(c, *shown_gauge(needed_kpa(protocol, c, site.altitude_m)))
        for c in protocol.cycles_for(site.autoclave)
    )


def needed_kpa(protocol: Protocol, cycle: Cycle, altitude_m: float) -> float:
    """What the gauge must show: the protocol's rule or real steam, whichever asks for more."""
    height = max(altitude_m, 0)
    return max(protocol.gauge_kpa(cycle, height), gauge_kpa(cycle.celsius, height))


def shown_gauge(kpa: float) -> tuple[str, str]:
    """kPa and psi as text, each rounded up to a tenth."""
    return _up(kpa), _up(kpa_to_psi(kpa))


def _up(value: float) -> str:
    return f"{math.ceil(value * 10) / 10:.1f}"


# ---- chlorine ---------------------------------------------------------------------------------


def mixes(site: Site, protocol: Protocol, today: date) -> tuple[Mix, ...]:
    """How to mix a full soak container from each product that *site* holds."""
    return tuple(_mix(site, protocol, bottle, today) for bottle in site.stock)


def unsaid(site: Site) -> tuple[str, ...]:
    """What the register does not say, though a recipe needs it, in words."""
    return tuple(MISSING[name] for name in lacking(site))


def _mix(site: Site, protocol: Protocol, bottle: Bottle, today: date) -> Mix:
    name, doubt = bottle_name(bottle), _doubt(protocol, bottle, today)
    target = protocol["chlorine.target_percent"]
    try:
        made = make_up(
            bottle.stock,
            site.soak_ml / 1000,
            target,
            measures=site.measures,
            overshoot_limit=protocol["chlorine.overshoot_factor"],
        )
    except ValueError as refused:
        return Mix(name, doubt, refused=str(refused))
    return Mix(
        name=name,
        doubt=doubt,
        product=reading(made.product),
        water=reading(made.water),
        made_ml=f"{made.made_ml:g}",
        percent=shown_percent(made.percent, target),
        parts=_parts(bottle, target),
        cautions=tuple(CAUTIONS[c] for c in made.cautions),
    )


def bottle_name(bottle: Bottle) -> str:
    """The product with what its label says of its strength."""
    stock = bottle.stock
    if stock.form == "tablet":
        return f"{stock.product} tablets of {stock.strength:g} g chlorine"
    unit = stock.unit if stock.unit != "degrees" else "chlorometric degrees"
    return f"{stock.product} {stock.strength:g} {unit}"


def _doubt(protocol: Protocol, bottle: Bottle, today: date) -> str:
    """What must be done before the label is believed; for NaDCC, how long its mix lasts in heat;
    "" for what does not fade in the dry."""
    if bottle.stock.product == "NaDCC":
        minutes = math.floor(protocol["chlorine.nadcc_hot_hours"] * 60)
        hot = protocol["chlorine.nadcc_hot_above_c"]
        return f"Once mixed and above {hot:g} C: doubtful after {minutes} min. Test or make new."
    if not fades(bottle):
        return ""
    days, warm = protocol["chlorine.test_after_days"], protocol["chlorine.test_above_c"]
    rule = f"open no more than {days:g} days and kept at {warm:g} C or cooler"
    if not doubtful(bottle, protocol, today):
        return f"Holds only for a bottle {rule}. Older or warmer: test strip first, or a new one."
    return (
        f"TEST FIRST: it is not known to be {rule}. Mix so only if a test strip shows the"
        " strength on the label, or with a new bottle."
    )


def _parts(bottle: Bottle, target: float) -> str:
    if bottle.stock.form != "liquid":
        return ""
    parts, gives = whole_parts(float(bottle.stock.percent_each()), target)
    return f"1 part and {parts} parts water ({gives:.3g} %)" if parts else ""


# ---- what it rests on ---------------------------------------------------------------------------


def sources(site: Site, protocol: Protocol) -> list[tuple[str, str, str]]:
    """Name, value and source of every number of the protocol that the sheet shows."""
    groups = tuple(f"{m}." for m in (*site.methods, "vinegar") if m != "autoclave")
    keys = [k for k in protocol.sources if k.startswith(groups) or k in SHARED]
    rows = [(_key(k), f"{protocol[k]:g}", protocol.sources[k]) for k in keys]
    cycles = protocol.cycles_for(site.autoclave) if "autoclave" in site.methods else ()
    return rows + [(f"autoclave cycle {c.id}", f"{c.celsius:g} C", c.source) for c in cycles]


def _key(key: str) -> str:
    return key.replace(".", " ").replace("_", " ")
