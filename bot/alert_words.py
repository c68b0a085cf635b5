"""What is said of an alert: to whoever is told, in lists, about an answer to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bot.alert import Alert
from bot.effects import Day, Prompt, Shown
from bot.events import Letter
from bot.site import Person, Site
from bot.turn import Turn

SHORT_NAME = 15  # characters of a name in a text that has room for little else
TOLD_AT_ONCE = 3  # alerts named in one text


def told_prompt(turn: Turn, alert: Alert, person: Person) -> Prompt:
    """The text that tells *person*, with how she answers."""
    said = about(turn.unit.site, alert)
    if person.role == "nurse":
        return Prompt("alert.nudge", {"code": alert.id, "said": said})
    hint = "alert.hint.above" if person.role == "supervisor" else "alert.hint.here"
    return Prompt("alert.told", {"code": alert.id, "said": said, "hint": Prompt(hint)})


def about(site: Site, alert: Alert) -> Prompt:
    """The matter in a sentence."""
    person = site.by_id(alert.by)
    return described(alert, person.name if person else "")


def described(alert: Alert, name: str) -> Prompt:
    """The matter in a sentence, where whose it is is called *name*."""
    if "spares" in alert.facts:
        return Prompt("alert.spares", _values(alert, name))
    return Prompt(f"alert.{alert.rule}", _values(alert, name))


def _values(alert: Alert, name: str) -> Mapping[str, Shown]:
    facts = alert.facts
    values: dict[str, Shown] = {**facts, "since": Day(alert.at), "times": alert.count}
    values["name"] = short_name(name) or "?"
    for hole, key in (("step", "{}.title"), ("reason", "reason.{}"), ("kind", "kind.{}"),
                      ("what", "found.{}")):
        if hole in facts:
            values[hole] = Prompt(key.format(facts[hole]))
    return values


def short_name(name: str) -> str:
    """The first word of a name, cut where a text has no room."""
    return name.split(" ", 1)[0][:SHORT_NAME]


def what(alert: Alert) -> Prompt:
    """What it is, in a word or two."""
    return Prompt(f"alert.name.{alert.rule}")


def label(alert: Alert) -> Prompt:
    """The alert in a list: its code and what it is."""
    return Prompt("alert.label", {"code": alert.id, "what": what(alert)})


def digest_prompt(alerts: Sequence[Alert]) -> Prompt:
    """Several alerts in one text: the first by name, the rest as a number."""
    parts: dict[str, Shown] = {"head": Prompt("alert.digest", {"count": len(alerts)})}
    parts |= {f"alert{n}": label(a) for n, a in enumerate(alerts[:TOLD_AT_ONCE])}
    if len(alerts) > TOLD_AT_ONCE:
        parts["more"] = f"+{len(alerts) - TOLD_AT_ONCE}."
    return Prompt("parts", {**parts, "hint": Prompt("alert.hint.here")})


def answer_prompt(turn: Turn, alert: Alert, letter: Letter) -> Prompt:
    """What others hear of an answer: taken, solved, asked, replied or passed on."""
    values: dict[str, Shown] = {
        "code": alert.id,
        "name": short_name(letter.name) or "?",
        "word": letter.word,
        "what": what(alert),
        "said": about(turn.unit.site, alert),
    }
    return Prompt(f"alert.{letter.kind}", values)
