"""Asking the register for a change: what a turn can do is ask, and hear the answer later."""

from __future__ import annotations

from bot.amend import Amend, AmendKind
from bot.effects import Amendments, Prompt, Say
from bot.showing import say_alone
from bot.site import Person
from bot.turn import Turn
from bot.whom import recipients

CHIEFS = ("in_charge", "supervisor")


def ask_register(
    turn: Turn, kind: AmendKind, about: str = "", *, by: str = "", name: str = "",
    phone: str = "", value: str = "", old: str = "",
) -> Amend:  # fmt: skip
    """Ask for *kind*, by whoever speaks or *by*; all that was not answered yet goes out with it."""
    unit = turn.unit
    n, site = unit.serial + 1, unit.site
    me = by or (turn.person.id if turn.person else "")
    stamp = turn.now.strftime("%Y%m%d-%H%M%S")  # serials begin anew where Redis lost its own
    amend = Amend(f"{site.id}-{stamp}-{n}", n, turn.now, me, kind, about, name, phone, value, old)
    turn.next_id("amend")
    turn.unit = turn.unit.put_amend(amend)
    waiting = tuple(sorted(turn.unit.amends.values(), key=lambda a: a.n))
    turn.effects = [e for e in turn.effects if not isinstance(e, Amendments)]
    turn.effects.append(Amendments(site.id, site.district, waiting))
    return amend


def is_chief(turn: Turn, person_id: str = "") -> bool:
    """Whether whoever speaks, or *person_id*, may change people and sets here."""
    person = turn.unit.site.by_id(person_id) if person_id else turn.person
    return person is not None and person.role in CHIEFS


def chief_only(turn: Turn) -> bool:
    """The same; somebody else is told who may."""
    if not is_chief(turn):
        say_alone(turn, Prompt("only.chief"))
    return is_chief(turn)


def role_words(role: str) -> Prompt:
    """A role as it is read."""
    return Prompt(f"role.{role}")


def tell(turn: Turn, person: Person | None, prompt: Prompt) -> None:
    """A note to *person*, or to those in charge where she is gone or on leave."""
    if person and not turn.unit.talk(person.phone).absent(turn.now):
        found: tuple[Person, ...] = (person,)
    else:
        found = recipients(turn.unit, "in_charge", "", turn.now) or turn.above()
    turn.effects += [Say(p.phone, prompt) for p in found]


def refused(turn: Turn, amend: Amend, why: str) -> None:
    """The register did not take *amend*: whoever asked for it hears why."""
    site = turn.unit.site
    about = site.by_id(amend.about)
    values = {"name": amend.name or (about.name if about else amend.about), "set": amend.about}
    what = Prompt(f"amend.{amend.kind}", {**values})
    tell(turn, site.by_id(amend.by),
         Prompt("amend.refused", {"what": what, "why": Prompt(f"amend.why.{why}")}))  # fmt: skip


def named(turn: Turn, text: str) -> Person | None:
    """Who works here with the name *text*, or with it as the first word of hers; None if nobody or
    several."""
    wanted = text.casefold()
    people = turn.unit.site.supervisors if turn.unit.site.watches else turn.unit.site.people
    for names in ([p.name for p in people], [p.name.partition(" ")[0] for p in people]):
        found = [p for p, name in zip(people, names, strict=True) if name.casefold() == wanted]
        if found:
            return found[0] if len(found) == 1 else None
    return None
