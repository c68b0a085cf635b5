"""What to ask next: the prompt for where a batch stands, and what each answer would be called."""

from __future__ import annotations

import math
from collections.abc import Iterable

from bot.book import Book, Said
from bot.effects import Prompt, Shown
from bot.exposures import running, seconds_left, too_long
from bot.model import Pace
from bot.progress import ALL_SETS, set_asked, stage_mark
from flows.batch import Batch
from flows.protocol import Cycle, Protocol
from flows.release import marks
from flows.stage import NOT_READY, Page, Stage
from flows.steam import kpa_to_psi, steam_temp_c

# What each stage that can refuse an autoclave load says of it.
LOAD_WHY = {
    "auto_temp": "load.cold",
    "auto_pressure": "load.pressure",
    "auto_minutes": "load.minutes",
    "auto_indicator": "load.indicator",
    "auto_cooled": "load.wet",
}
# As many set ids as a text shows in full.
COUNTED_AT_ONCE = 2
# As many rows of the autoclave's table as a page has room for.
LISTED_AT_ONCE = 3


def page_shown(batch: Batch, book: Book, pace: Pace, *, stepwise: bool) -> Page | None:
    """The page that *batch* is shown, or None where its stage is asked alone."""
    page = book.flow.page("guided" if stepwise else pace, batch.stage)
    if page is None:
        return None
    wanted = asks_of(batch, book, page)
    # With many sets a text names only some: then each is counted by its own name.
    crowded = len(batch.remaining) > COUNTED_AT_ONCE and any(s.each for s in wanted)
    crowded |= any(len(choices(batch, book, s)) > LISTED_AT_ONCE for s in wanted)
    return None if crowded or len(wanted) < page.numbers else page


def ask(batch: Batch, book: Book, said: Said, pace: Pace, *, stepwise: bool = False) -> Prompt:
    """The question that *batch* stands at, as a prompt with its footer."""
    stage = book.stage(batch)
    if stage.kind == "wait":
        return _waiting(batch, book, stage, said)
    page = page_shown(batch, book, pace, stepwise=stepwise)
    if page:
        values = _values(batch, book, stage)
        for asked in asks_of(batch, book, page):
            if asked.kind == "pick":
                values["options"] = options(book, asked, choices(batch, book, asked))
        foot = "foot.page" if page.pace == "brief" else "foot.number"
        return framed(Prompt(f"page.{page.id}", values), foot)
    key = f"{stage.id}.ask"
    if stage.by_kind:
        key = f"{key}.{batch.kinds}"
    return framed(Prompt(key, _values(batch, book, stage)), foot_of(stage))


def explain(batch: Batch, book: Book, pace: Pace, *, stepwise: bool) -> Prompt:
    """The help for where *batch* stands. A page keeps its own answers: 1 means all of it."""
    stage = book.stage(batch)
    page = page_shown(batch, book, pace, stepwise=stepwise)
    if page and page.pace == "brief":
        return framed(Prompt("page.help"), "foot.page")
    return framed(Prompt(f"{stage.id}.help", _values(batch, book, stage)), foot_of(stage))


def foot_of(stage: Stage) -> str:
    """Which footer names the keys that work at *stage*."""
    if stage.kind == "number":
        return "foot.number"
    return "foot.screen" if stage.phase == "side" else "foot"


def framed(text: Prompt, foot: str = "foot") -> Prompt:
    """*text* with the keys that work everywhere below it."""
    return Prompt("framed", {"ask": text, "foot": Prompt(foot)})


def noted(note: Prompt, text: Prompt) -> Prompt:
    """*text* with a few words about the last answer before it."""
    return Prompt("noted", {"note": note, "ask": text})


def title(stage: Stage) -> Prompt:
    """The short name of a stage."""
    return Prompt(f"{stage.id}.title")


def minutes_left(batch: Batch, book: Book, said: Said) -> int:
    """The minutes that the running exposure must still last, rounded up, as the protocol counts."""
    return math.ceil(round(seconds_left(batch, book.protocol, said) * batch.hasten / 60, 6))


def started(batch: Batch, book: Book) -> Prompt:
    """What is said when an exposure begins: how long, and when the bell will come."""
    stage = book.stage(batch)
    return Prompt(f"{stage.id}.started", _clock(batch, book))


def bell(batch: Batch, book: Book, kind: str) -> Prompt:
    """What a ring says: take the pieces out now; or that they have been in too long."""
    stage = book.stage(batch)
    text = Prompt(f"{stage.id}.bell", {"sets": batch.names})
    if kind == "late":
        return Prompt("wait.late", {"bell": text})
    return Prompt("wait.remind", {"bell": text}) if kind == "remind" else text


def _waiting(batch: Batch, book: Book, stage: Stage, said: Said) -> Prompt:
    if seconds_left(batch, book.protocol, said) > 0:
        values = {
            "title": title(stage),
            "left": minutes_left(batch, book, said),
            "extra": Prompt("wait.three" if "3" in stage.options else "wait.two"),
            **_clock(batch, book),
        }
        return framed(Prompt("wait.ask", values))
    late = too_long(batch, book.protocol, said.at)
    return bell(batch, book, "late" if late else "bell")


def _clock(batch: Batch, book: Book) -> dict[str, Shown]:
    clock = running(batch, book.protocol)
    need = clock[1] * batch.hasten / 60 if clock else 0
    values: dict[str, Shown] = {"minutes": round(need), "sets": batch.names}
    if batch.due:
        values["bell"] = batch.due
    return values


def _values(batch: Batch, book: Book, stage: Stage) -> dict[str, Shown]:
    """What a stage's wording may need; a text takes what it names."""
    rules = book.protocol
    values: dict[str, Shown] = {
        "sets": batch.names,
        "set": set_asked(batch, stage) or batch.names,
        "target": _number(rules["chlorine.target_percent"]),
        "hours": _number(rules["chlorine.solution_life_hours"]),
        "rinses": _number(rules["chlorine.rinses_count"]),
        "minutes": _number(rules["vinegar.exposure_minutes"]),
        "counts": Prompt("counts.many" if len(batch.remaining) > 1 else "counts.one"),
        "options": options(book, stage, choices(batch, book, stage)),
    }
    if stage.id == NOT_READY:
        values["why"] = why(batch)
    if stage.id == "auto_failed":
        values["why"] = load_why(batch, rules)
    return values


def why(batch: Batch) -> Prompt:
    """The first thing that stood against the release, in words."""
    checked = next(e for e in reversed(batch.log) if e.kind == "checked")
    code = str(checked.facts["against"]).split(" ", 1)[0]
    what = Prompt(f"mark.{checked.facts['first_mark']}")
    return Prompt(f"finding.{code}", {"what": what, "set": checked.set_id or batch.names})


def load_why(batch: Batch, rules: Protocol) -> Prompt:
    """Why a load is not sterile, with what the machine must show here."""
    answered = (e for e in reversed(batch.log) if e.kind == "answered")
    last = next((e for e in answered if e.stage in LOAD_WHY), None)
    if last is None:
        return Prompt("load.failed")
    chosen = [e for e in batch.log if e.mark == "cycle" and e.kind == "answered"]
    cycle = rules.cycle(str(chosen[-1].facts.get("cycle", ""))) if chosen else None
    value = last.facts.get("value")
    if cycle is None or not isinstance(value, int | float):
        return Prompt(LOAD_WHY[last.stage])
    need = rules.gauge_kpa(cycle, batch.altitude_m)
    if last.stage == "auto_pressure" and value >= need:
        return Prompt("load.contradicts")
    values: dict[str, Shown] = {
        "is": math.floor(value),
        "celsius": _number(cycle.celsius),
        "minutes": _number(cycle.minutes),
        "kpa": math.ceil(need),
        "psi": math.ceil(kpa_to_psi(need)),
    }
    if last.stage == "auto_pressure":
        values["gives"] = math.floor(steam_temp_c(value, batch.altitude_m))
    return Prompt(LOAD_WHY[last.stage], values)


def choices(batch: Batch, book: Book, stage: Stage) -> tuple[str, ...]:
    """The ids behind the numbers that a pick stage offers now."""
    if stage.source == "methods":
        return book.protocol.methods_for(batch)
    if stage.source == "cycles":
        return tuple(c.id for c in book.protocol.cycles_for(batch.autoclave))
    if stage.source == "remaining":
        ids = tuple(s.id for s in batch.remaining)
        return ids if len(ids) == 1 else (*ids, ALL_SETS)
    return ()


def options(book: Book, stage: Stage, ids: Iterable[str]) -> Prompt | str:
    """The numbered list that a pick stage shows."""
    labels: list[Prompt | str] = []
    for item in ids:
        if stage.source == "methods":
            labels.append(Prompt(f"method.{item}"))
        elif stage.source == "cycles":
            labels.append(_cycle(book, item))
        else:
            labels.append(Prompt("all_sets") if item == ALL_SETS else item)
    return numbered(labels)


def _cycle(book: Book, cycle_id: str) -> Prompt | str:
    cycle = book.protocol.cycle(cycle_id)
    if cycle is None:
        return cycle_id
    return cycle_label(cycle)


def cycle_label(cycle: Cycle) -> Prompt:
    """A row of the autoclave's table: load, temperature, minutes."""
    values: dict[str, Shown] = {
        "load": Prompt(f"load.{cycle.load}"),
        "celsius": _number(cycle.celsius),
        "minutes": _number(cycle.minutes),
    }
    return Prompt("cycle", values)


def numbered(labels: Iterable[Prompt | str]) -> Prompt | str:
    """1 first 2 second ... as one prompt; "" for none."""
    values: dict[str, Shown] = {}
    for n, label in enumerate(labels, start=1):
        values[f"k{n}"] = n
        values[f"v{n}"] = label
    return Prompt("list", values) if values else ""


def asks_of(batch: Batch, book: Book, page: Page) -> list[Stage]:
    """What a page wants to be sent, in order; a stage repeated for each set comes that often."""
    wanted: list[Stage] = []
    for name in page.stages:
        stage = book.flow.stages[name]
        if stage.kind in ("number", "pick"):
            wanted += [stage] * (_uncounted(batch, stage) if stage.each == "set" else 1)
    return wanted


def _uncounted(batch: Batch, stage: Stage) -> int:
    standing = marks(batch.log)
    return sum((stage_mark(stage), s.id) not in standing for s in batch.remaining)


def _number(value: float) -> str:
    return f"{value:g}"
