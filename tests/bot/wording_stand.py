"""The longest texts there can be: every value is as long as the register and the protocol allow."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from babel.dates import format_datetime

from bot import rows
from bot.amend import CODE_LENGTH
from bot.asking import LISTED_AT_ONCE, ask, bell, explain, numbered, started
from bot.book import Book, Said
from bot.catalogues import load_catalogues
from bot.check import Check
from bot.checking import TOGETHER
from bot.counts_asked import LONG, counts_prompt
from bot.effects import Day, Prompt, Reply, Shown
from bot.model import SetState, Talk, Unit
from bot.recipe_words import recipe_values, stock_name
from bot.recipes import SCREENS, Recipe, recipe
from bot.rules import Rules
from bot.showing import CONDITIONS, LISTED, show, status
from bot.site import Bottle, Person, SetCard, Site
from bot.spares import MOST_SPARES
from bot.turn import Turn
from bot.wiring import load_protocols
from bot.wording import Wording
from flows.batch import METHODS, Batch, BatchSet, Entry, EntryKind, Kind, Value, short
from flows.measures import Measure
from flows.protocol import BOUNDS, MOST_CYCLES, Protocol
from flows.release import ORDER
from flows.reprocess import REPROCESS
from flows.stage import Stage
from flows.strengths import Stock
from flows.supervision import SCREENS as OVERLAID
from tests.bot.above_stand import above_screens, of_alerts

ENGLISH = load_catalogues()["en"]
WORDING = Wording(load_catalogues())
PACES: tuple[Any, ...] = ("guided", "brief")
ZONE = "Africa/Dar_es_Salaam"


def longest(parse: Callable[[str], str], letter: str = "W") -> str:
    """The longest text of one letter that the register takes for such a value."""
    found = ""
    for n in range(1, 100):
        try:
            found = parse(letter * n)
        except ValueError:
            continue
    return found


SITE_ID = longest(rows.an_id)
NAME = longest(rows.a_name)
SET_ID = longest(rows.a_set_id)
# As many sets in one batch as a list offers; each id as long as can be, each another.
SET_IDS = tuple(f"{SET_ID[:-1]}{n}" for n in range(1, LISTED + 1))
PHONES = tuple(f"+1202555{n:04}" for n in range(100, 100 + LISTED + 3))


def worst_protocol() -> Protocol:
    """The default protocol, with whichever bound of each number is longer, and every cycle."""
    rules = load_protocols()["default"]
    values = {k: max(high_low, key=lambda v: len(f"{v:g}")) for k, high_low in BOUNDS.items()}
    values |= {"chlorine.exposure_minutes": 120, "practice.hasten_factor": 20}
    row = replace(rules.cycles[0], machine="gravity", load="unwrapped", celsius=134, minutes=120)
    cycles = tuple(replace(row, id=f"c{n}") for n in range(MOST_CYCLES))
    return replace(rules, values=values, cycles=cycles)


PROTOCOL = worst_protocol()
BOOK = Book(REPROCESS, PROTOCOL)
# As many cycles as a page still lists.
LISTED_BOOK = replace(
    BOOK, protocol=replace(BOOK.protocol, cycles=BOOK.protocol.cycles[:LISTED_AT_ONCE])
)
RULES = Rules(
    flow=REPROCESS,
    flows={REPROCESS.id: REPROCESS},
    protocols={"default": PROTOCOL, PROTOCOL.id: PROTOCOL},
    commands={"en": {}},
)


def day_in(language: str) -> datetime:
    """A moment whose date is the longest of the year in *language*."""
    days = [datetime(2026, month, 28, 20, 59, tzinfo=UTC) for month in range(1, 13)]
    zone = ZoneInfo(ZONE)
    return max(
        days, key=lambda d: len(format_datetime(d.astimezone(zone), "d MMM", locale=language))
    )


NOW = day_in("en")


# ---- batches ----------------------------------------------------------------------------------


def members(kinds: str, count: int) -> tuple[BatchSet, ...]:
    """*count* sets, bags, suction devices or both in turn."""
    of: tuple[Kind, ...] = ("bag", "suction") if kinds == "both" else (kinds,)  # type: ignore[assignment]
    return tuple(BatchSet(SET_IDS[n], "M", of[n % len(of)], 99, METHODS) for n in range(count))


def batch(stage: str, sets: tuple[BatchSet, ...], log: tuple[Entry, ...] = ()) -> Batch:
    opened = Entry(0, NOW, "opened")
    return Batch(
        id="B", facility=SITE_ID, district="D", altitude_m=0, facility_methods=METHODS,
        protocol=PROTOCOL.id, flow=REPROCESS.id, opened_at=NOW, opened_by="P", holder="P0",
        sets=sets, stage=stage, autoclave="gravity", log=(opened, *log),
    )  # fmt: skip


def line(n: int, kind: EntryKind, mark: str, **facts: Value) -> Entry:
    return Entry(n, NOW, kind, mark=mark, facts=facts)


def waiting(stage: Stage, sets: tuple[BatchSet, ...]) -> Batch:
    """A batch whose exposure at *stage* has just begun."""
    if stage.exposure == "vinegar":
        log: tuple[Entry, ...] = (line(1, "answered", "vinegar_started"),)
    else:
        log = (
            line(1, "answered", "method", method=stage.method),
            line(2, "answered", "cycle", cycle="c0"),
            line(3, "answered", "exposure_started"),
        )
    found = replace(batch(stage.id, sets, log), method=stage.method)
    return replace(found, due=NOW + timedelta(minutes=120))


def said(minutes: float = 0) -> Said:
    return Said("P0", "sms", "1", NOW + timedelta(minutes=minutes))


def groups() -> Iterator[tuple[BatchSet, ...]]:
    """What a batch can be made of: one set, two, three, as many as a list offers."""
    for count in (1, 2, 3, LISTED):
        for kinds in ("bag", "suction", "both"):
            if kinds != "both" or count > 1:
                yield members(kinds, count)


def refusals(sets: tuple[BatchSet, ...]) -> Iterator[Batch]:
    """A batch that was refused READY for each reason at each mark."""
    codes = [key.removeprefix("finding.") for key in ENGLISH if key.startswith("finding.")]
    for code in codes:
        for mark in ORDER:
            entry = line(1, "checked", "refused", against=code, first_mark=mark)
            yield batch("not_ready", sets, (replace(entry, set_id=sets[0].id),))


def asks() -> Iterator[tuple[str, Prompt]]:
    """Every question that a batch can stand at, by what it is."""
    for sets in groups():
        for stage in REPROCESS.stages.values():
            where = f"{stage.id} of {len(sets)}"
            if stage.kind == "wait":
                now = waiting(stage, sets)
                yield f"{where} running", ask(now, BOOK, said(), "guided")
                yield f"{where} over", ask(now, BOOK, said(121), "guided")
                yield f"{where} long over", ask(now, BOOK, said(999), "guided")
            elif stage.id != "not_ready":
                at = batch(stage.id, sets)
                yield f"help at {where}", explain(at, BOOK, "brief", stepwise=False)
                yield f"help at {where}", explain(at, BOOK, "guided", stepwise=True)
                for pace in PACES:
                    for stepwise in (False, True):
                        for book in (BOOK, LISTED_BOOK):
                            at = batch(stage.id, sets)
                            text = ask(at, book, said(), pace, stepwise=stepwise)
                            yield f"{where}, {pace}", text
        if len(sets) in (1, LISTED):
            for refused in refusals(sets):
                yield "not_ready", ask(refused, BOOK, said(), "guided")


# ---- screens ----------------------------------------------------------------------------------


def crowded() -> Turn:
    """A facility with as much of everything as can stand on one screen."""
    sets = tuple(SetCard(i, "M", "bag", 99, METHODS) for i in SET_IDS)
    people = tuple(Person(f"P{n}", NAME, phone, "nurse") for n, phone in enumerate(PHONES))
    site = Site(SITE_ID, NAME, "D", 0, ZONE, METHODS, sets, people, autoclave="gravity")
    site = replace(site, stock=STOCK, measures=MEASURES, soak_ml=29_900)
    whole = members("both", LISTED)
    batches = {f"B{n}": replace(batch("wash", whole), id=f"B{n}") for n in range(LISTED)}
    unit = Unit(site, batches=batches, check=Check(done_at=NOW - timedelta(days=366)))
    turn = Turn(unit, RULES, NOW, person=people[0])
    # That the numbers are for training is a note like others, and takes the place of none.
    today = NOW.astimezone(ZoneInfo(ZONE)).date()
    turn.talk = Talk(PHONES[0], batch="B0", told_training=today)
    return turn


MODEL_IDS = tuple(f"{longest(rows.an_id)[:-1]}{n}" for n in range(LISTED - 1))
CHOICES: dict[str, tuple[str, ...]] = {
    "home": (),
    "menu": (),
    "pace": (),
    "sets": SET_IDS,
    "opened": SET_IDS,
    "batches": tuple(f"B{n}" for n in range(LISTED)),
    "people": tuple(f"P{n}" for n in range(LISTED)),
    "choose": ("B0", "B1"),
    "danger": (),
    "danger_when": (),
    "danger_after": (),
    "need": (),
    "check_all": SET_IDS[:TOGETHER],
    "check_one": SET_IDS[:1],
    "check_zero": (),
    "check_uses": (),
    "check_births": (),
    "check_helped": (),
    "spores": (),
    "spores_day": (),
    "spores_load": (),
    "mix": (),  # the list makes itself
    "doubted": ("OLD",),
    "strip": ("OLD",),
    "mixed": ("WEAK", "0.35"),
    "labelled": ("99.99", NOW.isoformat(), NOW.isoformat(), "warn", NOW.isoformat()),
    "mix_other": ("too_strong",),
    "mix_none": ("missing", "stock", "bucket", "measures"),
    "number": tuple(f"P{n}" for n in range(LISTED)),
    "language": tuple(f"x{n}" for n in range(LISTED)),
    "new_set": (SET_ID, *MODEL_IDS),
    "retire": (SET_ID,),
    "role": ("P0",),
    "role_of": tuple(f"P{n}" for n in range(LISTED)),
    "remove": ("P0",),
    "remove_of": tuple(f"P{n}" for n in range(LISTED)),
    "late": (f"sets={SET_ID}", "method=boiling", "in=2130", "out=2152", "ticked=0"),
    "late_keep": (
        f"sets={' '.join(SET_IDS)}", "method=autoclave", "load=99999",
        *(f"at_{name}={NOW.isoformat()}" for name in ("in", "out", "stored")),
    ),
}  # fmt: skip
# What is in stock, each label as long as can be; a jug that reads to odd marks.
STOCK = (
    Bottle("OLD", Stock("bleach", "liquid", 12.5, "degrees"), NOW.date() - timedelta(400), 29.5),
    Bottle("WEAK", Stock("bleach", "liquid", 0.35), NOW.date(), 25),
    Bottle("LIME", Stock("chlorinated lime", "powder", 32.5), NOW.date(), 25),
    Bottle("NADCC", Stock("NaDCC", "powder", 62.5)),
    Bottle("TABLETS", Stock("NaDCC", "tablet", 1.67, "g chlorine")),
)
MEASURES = (Measure("W" * 20, 1500, 12.5), Measure("W" * 20, 50, 0.5, "g"))


def screens() -> Iterator[tuple[str, Prompt]]:
    """Every screen between batches, as crowded as can be."""
    for screen, choices in CHOICES.items():
        turn = crowded()
        if screen.startswith("danger"):  # which say how long the exposure still lasts
            clock = waiting(REPROCESS.stages["soak"], members("both", LISTED))
            turn.unit = turn.unit.put_batch(replace(clock, id="B0"))
        turn.put_talk(screen=screen, choices=choices, batch="" if screen == "home" else "B0")
        show(turn)
        yield f"screen {screen}", replied(turn)
    yield from above_screens(RULES, NOW)


def statuses() -> Iterator[tuple[str, Prompt]]:
    """The status text with three sets in each condition, then with one, then with none READY."""
    for each in (3, 1):
        for conditions in (CONDITIONS, CONDITIONS[1:]):
            turn = crowded()
            ids = [f"{SET_ID[:-2]}{n:02}" for n in range(each * len(conditions))]
            site = turn.unit.site
            cards = tuple(replace(site.sets[0], id=i) for i in ids)
            turn.unit = replace(turn.unit, site=replace(site, sets=cards))
            for n, set_id in enumerate(ids):
                condition = conditions[n % len(conditions)]
                turn.unit = turn.unit.put_set(state(set_id, condition))
            status(turn)
            yield f"status, {each} of {len(conditions)}", replied(turn)


def state(set_id: str, condition: Any) -> SetState:
    if condition == "EXPIRED":
        return SetState(set_id, "READY", NOW, NOW - timedelta(days=1))
    return SetState(set_id, condition, NOW, NOW + timedelta(seconds=1))


def replied(turn: Turn) -> Prompt:
    [reply] = [e for e in turn.effects if isinstance(e, Reply)]
    return reply.prompt


# ---- the rest -----------------------------------------------------------------------------------


def text_of(prompt: Prompt, language: str = "en") -> str:
    """The whole text, however long."""
    return WORDING.sentence(prompt, language, ZONE)


def longest_of(prefix: str, values: dict[str, Shown] | None = None) -> Prompt:
    """The longest text whose key begins with *prefix* (or ends with it)."""
    keys = [k for k in ENGLISH if k.startswith(prefix) or k.endswith(prefix)]
    return max((Prompt(k, values or {}) for k in keys), key=lambda p: len(text_of(p)))


def of_the_mix(key: str) -> dict[str, Shown]:
    """The longest values that a text of the mix can be given."""
    turn = crowded()
    turn.put_talk(screen="mixed", choices=("WEAK", "0.35"))
    found = recipe(turn, STOCK[1])
    assert isinstance(found, Recipe)
    lacks = Prompt("mix.lacks_bucket")
    for name in ("measures", "stock"):
        lacks = Prompt("mix.both", {"first": lacks, "second": Prompt(f"mix.lacks_{name}")})
    missing: Shown = lacks if key == "mix.missing" else longest_of("product.")
    return {
        **recipe_values(found), "volume": "29900", "grams": "299.5", "exact": "4271.4",
        "strength": "0.35", "percent": "99.99", "what": missing, "full": 19, "holds": "1500",
        "rest": "1487.5", "total": "29987.5", "measure": "W" * 8, "own": "mL",
        "stock": stock_name(STOCK[0]), "doubt": longest_of("mix.unknown"),
        "more": Prompt("mix.warn", {"bell": NOW}), "why": longest_of("mix.old_lime"),
        "first": "W" * 12, "second": "W" * 12, "made": Day(NOW),
    }  # fmt: skip


# Texts about who works here and which sets there are, and about spare parts.
OF_THE_REGISTER = ("add.", "join.", "number.", "amend.", "away.", "shift.", "new.", "retire.",
                   "spares.", "received.", "role.", "remove.", "alert.spares")  # fmt: skip


OF_ALERTS = (
    "alert.", "note.closed", "note.no_alert", "quiet.", "place", "ready.", "overdue.", "today.",
)  # fmt: skip


def most_counted() -> Prompt:
    """The counts of a district, every number as long as it is shown."""
    names = ("ended", "ready", "missed", "done", "due", "silent", "all")
    facts = dict.fromkeys(names, LONG - 1) | {"empty_minutes": (LONG - 1) * 60}
    return counts_prompt(facts | {f"before_{name}": n for name, n in facts.items()})


def holes_filled(key: str) -> Prompt:
    """The text of *key* with the longest value in each of its holes."""
    names = batch("wash", members("both", LISTED)).names
    what = longest_of("mark.")
    values: dict[str, Shown] = {
        "sets": names, "set": SET_ID, "aside": names, "site": SITE_ID, "name": NAME,
        "target": "0.05", "hours": "24", "rinses": "5", "minutes": 120, "left": 120,
        "load": Prompt("load.unwrapped") if key == "cycle" else 99999, "celsius": "134",
        "bell": NOW, "until": Day(NOW), "what": what, "title": longest_of(".title"),
        "step": longest_of(".title"), "reason": longest_of("reason."),
        "counts": Prompt("counts.many"), "extra": Prompt("wait.three"),
        "options": numbered([names]), "since": Day(NOW), "kind": longest_of("danger.kind."),
        "clock": longest_of("clock.", {"left": 120}), "digits": "000000",
        "slot": Day(NOW), "start": Day(NOW), "uses": 99, "gap": 99, "births": 99,
        "names": Prompt("parts", {f"set{n}": name for n, name in enumerate(SET_IDS[:TOGETHER])}),
    }  # fmt: skip
    if key.startswith(OF_THE_REGISTER):
        values |= {
            "code": "W" * CODE_LENGTH if "code" in key else f"{SITE_ID}-99999", "model": SITE_ID,
            "role": Prompt("role.in_charge"), "shift": "07:00-19:00", "spares": "W" * MOST_SPARES,
            "sets": short(list(SET_IDS)), "what": Prompt("amend.language", {"name": NAME}),
            "why": longest_of("amend.why."),
        }  # fmt: skip
    if key.startswith("late."):
        # As a part of a text; what is refused says why.
        values |= {"word": "W" * 12, "other": "W" * 12, "set": SET_ID}
        values["why"] = longest_of("finding.", {"what": what, "set": SET_ID})
    if key == "late.wrong":
        values["why"] = longest_of("late.slip.", {"word": "2130", "other": "2130"})
    if key == "screen.late":
        values["ask"] = longest_of("late.form.", {"options": numbered([names])})
    if key == "need.answer":
        most: dict[str, Shown] = {"births": 9999, "need": 1044, "risk": "0.01", "used": "99.5"}
        values |= {**most, "hours": "71.5", "bags": 99, "suction": 99}
    if key in ("wait.remind", "wait.late"):
        values["bell"] = longest_of(".bell", {"sets": names})
    if key == "not_ready.ask":
        values["why"] = longest_of("finding.", {"what": what, "set": SET_ID})
    values |= dict(most_counted().values)
    if key.startswith(OF_ALERTS) or key.removeprefix("screen.") in OVERLAID:
        values |= of_alerts(key, NOW)
    if key.startswith(("mix.", "stock.")) or key.removeprefix("screen.") in SCREENS:
        values |= of_the_mix(key)
    return Prompt(key, values)


# Words about the last answer, which stand before a question.
NOTES = tuple(
    holes_filled(key)
    for key in ENGLISH
    if key.startswith(("note.", "none.")) or key == "carrier.started"
)


def bells() -> Iterator[tuple[str, Prompt]]:
    """What rings and what is said when an exposure begins."""
    for sets in groups():
        for stage in REPROCESS.stages.values():
            if stage.kind == "wait":
                now = waiting(stage, sets)
                yield f"{stage.id} started", started(now, BOOK)
                for kind in ("bell", "remind", "late"):
                    yield f"{stage.id} {kind}", bell(now, BOOK, kind)
