"""What a person may ask at any time: until when what is here lasts, how many sets it takes."""

from __future__ import annotations

from collections import Counter
from datetime import datetime

from bot.effects import Day, Prompt, Shown
from bot.model import SetState
from bot.showing import open_screen, say_alone
from bot.turn import Turn
from flows.batch import short
from flows.planning import sets_needed

MOST_BIRTHS = 9999  # a month; as many digits as the question takes
# Units of a text, so that what is listed leaves room for the rest: a date with its time as written
# with the longest month, and what is not a name in each part.
WHOLE = 160
DATE = len("28 Sept 23:59")
HEAD = len("READY until: +99 ")
GONE = len("EXPIRED: +99. ")
SOLUTION = len("Chlorine 0.55%: pour away . +99 ") + DATE
TOGETHER = 2  # sets named in one breath: more would be shortened to the first and a number


def expiry(turn: Turn) -> bool:
    """The command word: until when each READY set and each solution may be used."""
    states = [turn.unit.state_of(card.id) for card in turn.unit.site.sets]
    ready = [s for s in states if s.now(turn.now) == "READY" and s.expires_at]
    gone = [s.id for s in states if s.now(turn.now) == "EXPIRED"]
    solutions = _solutions(turn)
    parts: dict[str, Shown] = {}
    room = WHOLE - HEAD - (SOLUTION if solutions else 0)
    room -= GONE + len(gone[0]) if gone else 0
    if ready:
        parts |= _lasting(ready, room)
    else:
        parts["none"] = Prompt("status.none_ready")
    if gone:
        parts["gone"] = Prompt("status.expired", {"sets": short(gone)})
    if solutions:
        over, percent = solutions[0]
        parts["solution"] = Prompt("expiry.solution", {"percent": percent, "until": Day(over)})
        if len(solutions) > 1:
            parts["solutions"] = f"+{len(solutions) - 1}"
    turn.put_talk(screen="", choices=())
    turn.reply(Prompt("parts", parts), end=True)
    return True


def _lasting(ready: list[SetState], room: int) -> dict[str, Shown]:
    """The READY sets, the first to expire first, as many as *room* units hold, and the rest."""
    parts: dict[str, Shown] = {"ready": Prompt("expiry.ready")}
    left = len(ready)
    for n, (until, names) in enumerate(_breaths(ready)):
        room -= len("+".join(names)) + DATE + len(" , ")
        if room < 0 and n:  # the first to expire is always said
            break
        values: dict[str, Shown] = {"sets": "+".join(names), "until": Day(until)}
        parts[f"set{n}"] = Prompt("expiry.one", values)
        left -= len(names)
    if left:
        parts["more"] = f"+{left}"
    return parts


def _breaths(ready: list[SetState]) -> list[tuple[datetime, list[str]]]:
    """Names that expire at the same moment, so many together as a text says in full."""
    found: list[tuple[datetime, list[str]]] = []
    dated = [(s.expires_at, s.id) for s in ready if s.expires_at]
    for until, name in sorted(dated):
        if found and found[-1][0] == until and len(found[-1][1]) < TOGETHER:
            found[-1][1].append(name)
        else:
            found.append((until, [name]))
    return found


def _solutions(turn: Turn) -> list[tuple[datetime, str]]:
    """When each solution here must be poured away, and its percent, the first first."""
    return sorted(
        (_moment(r.facts.get("over", "")) or r.due, r.facts.get("percent", "?"))
        for r in turn.unit.reminders.values()
        if r.kind == "solution"
    )


def _moment(text: str) -> datetime | None:
    """The moment with its zone that *text* is, or None: what another version kept may differ."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else None


def need(turn: Turn) -> bool:
    """The command word: how many sets does this facility need?"""
    open_screen(turn, "need")
    return True


def answer_need(turn: Turn, text: str) -> bool:
    """About how many births there are in a month here, 1 to MOST_BIRTHS."""
    if not (text.isascii() and text.isdecimal() and len(text) <= len(str(MOST_BIRTHS))):
        return False
    births = int(text)
    if not births:
        return False
    rules = turn.rules.protocol_for(turn.unit.site)
    used, risk = rules["planning.used_fraction"], rules["planning.risk"]
    hours = rules["planning.turnaround_hours"]
    here = Counter(card.kind for card in turn.unit.site.sets)
    values: dict[str, Shown] = {
        "births": births,
        "need": sets_needed(births, used, hours, risk),
        "risk": f"{risk * 100:g}",
        "used": f"{used * 100:g}",
        "hours": f"{hours:g}",
        "bags": here["bag"],
        "suction": here["suction"],
    }
    say_alone(turn, Prompt("need.answer", values))
    return True


COMMANDS = {"expiry": expiry, "need": need}
