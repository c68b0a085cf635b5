"""The lines of a batch's time line: what its log says, and what its alerts say, in words.

The log is told whole: what was taken back stays in its place and is called so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from bot.desk_said import Story, Teller, undialled
from bot.effects import Prompt
from bot.site import Site
from flows.batch import Batch, Entry


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the time line. *who* is "" where nobody said it; *note*: why it does not count,
    or that it was told late. *alert* is the alert that it belongs to."""

    at: datetime
    when: str
    who: str
    what: str
    note: str = ""
    alert: str = ""



def alert_lines(stories: Sequence[Story], site: Site, teller: Teller) -> Iterator[Line]:
    """Every alert about a batch, and the answers to it."""
    for story in stories:
        when = teller.moment(story.at, site.zone)
        yield Line(story.at, when, "", f"Alert {story.id}: {story.said}", alert=story.id)
        for said in story.lines:
            yield Line(said.at, said.when, "", f"Alert {story.id}: {said.text}", alert=story.id)


def log_lines(batch: Batch, site: Site, teller: Teller) -> Iterator[Line]:
    """Every entry of the log of *batch*, in words and in order."""
    return _Telling(batch, site, teller).lines()


def taken_back(batch: Batch) -> dict[int, datetime]:
    """When each entry that was taken back was, by its number."""
    return {e.voids: e.at for e in batch.log if e.kind == "taken_back" and e.voids is not None}


@dataclass(frozen=True, slots=True)
class _Telling:
    batch: Batch
    site: Site
    teller: Teller

    def lines(self) -> Iterator[Line]:
        gone = taken_back(self.batch)
        for entry in self.batch.log:
            what = TELL.get(entry.kind, _other)(self, entry)
            who = self.teller.who(self.site, entry.by) if entry.kind in BY_SOMEBODY else ""
            yield Line(entry.at, self.teller.moment(entry.at, self.site.zone), who, what,
                       " ".join(self._notes(entry, gone)))  # fmt: skip

    def _notes(self, entry: Entry, gone: Mapping[int, datetime]) -> Iterator[str]:
        if entry.n in gone:
            at = self.teller.moment(gone[entry.n], self.site.zone)
            yield f"Taken back at {at}: does not count."
        if entry.facts.get("late") and not self.batch.late:
            yield "LATE: taken out after the longest time."

    def title(self, entry: Entry) -> str:
        return self.teller.stage(entry.stage) if entry.stage else "Batch"

    def mark(self, mark: str) -> str:
        return self.teller.say(Prompt(f"mark.{mark}"))

    def person(self, by: str) -> str:
        return self.teller.who(self.site, by) or "nobody"


Tell = Callable[[_Telling, Entry], str]
RINGS = {"remind": "Bell sent again", "late": "Told that the time is far over"}
BY_SOMEBODY = frozenset({"opened", "answered", "taken_back", "refused", "misunderstood", "handed"})


def _opened(told: _Telling, entry: Entry) -> str:
    return f"Begins the batch with {entry.facts.get('sets', told.batch.names)}."


def _answered(told: _Telling, entry: Entry) -> str:
    """The step, the answer, and what the answer put on record."""
    said = f" answered “{undialled(entry.said)}”" if entry.said else " answered"
    of = f" for {entry.set_id}" if entry.set_id else ""
    kept = [told.mark(entry.mark)] if entry.mark else []
    kept += [_fact(entry, name) for name in ("method", "cycle", "value") if name in entry.facts]
    kept = [words for words in dict.fromkeys(map(undialled, kept)) if words != entry.said]
    record = f" On record: {', '.join(kept)}." if kept else ""
    return f"{told.title(entry)}{of}:{said}.{record}"


def _fact(entry: Entry, name: str) -> str:
    value = entry.facts[name]
    return f"{value:g}" if isinstance(value, float) else str(value)


def _taken(told: _Telling, entry: Entry) -> str:
    log = told.batch.log
    voided = log[entry.voids] if entry.voids is not None and entry.voids < len(log) else None
    if voided is None:
        return "Takes the last answer back."
    at = told.teller.moment(voided.at, told.site.zone)
    return f"Takes back {told.title(voided)} of {at}."


def _again(told: _Telling, entry: Entry) -> str:
    return f"To be done again, with all that follows it: {told.mark(entry.mark)}."


def _interrupted(told: _Telling, entry: Entry) -> str:
    return f"{told.title(entry)} broken off: this exposure does not count."


def _refused(told: _Telling, entry: Entry) -> str:
    left = entry.facts.get("minutes_left")
    why = f": too early, {left} min were left" if entry.mark == "early" and left is not None else ""
    said = f" “{undialled(entry.said)}”" if entry.said else ""
    return f"{told.title(entry)}: the answer{said} was not taken{why}."


def _misunderstood(told: _Telling, entry: Entry) -> str:
    return f"{told.title(entry)}: an answer that means nothing here."


def _rang(_: _Telling, entry: Entry) -> str:
    return f"{RINGS.get(entry.mark, 'Bell sent')}."


def _arrived(told: _Telling, entry: Entry) -> str:
    reached = "reached" if entry.kind == "delivered" else "did NOT reach"
    return f"The bell {reached} the phone of {told.person(entry.by)}."


def _aside(told: _Telling, entry: Entry) -> str:
    reason = entry.facts.get("reason", "")
    why = f": {told.teller.say(Prompt(f'reason.{reason}'))}" if reason else ""
    return f"{entry.set_id} leaves the batch, set aside{why}."


def _handed(told: _Telling, entry: Entry) -> str:
    return f"{told.person(entry.mark)} holds the batch now."


def _told(told: _Telling, entry: Entry) -> str:
    return f"Goes to those above: {told.teller.say(Prompt(f'reason.{entry.mark}'))}."


def _checked(told: _Telling, entry: Entry) -> str:
    first = entry.facts.get("first_mark")
    stands = f": {told.mark(str(first))} first" if first else ""
    return f"READY was asked for. Refused{stands}." if entry.facts.get("against") else (
        "READY was asked for. Nothing stood against it.")  # fmt: skip


def _closed(told: _Telling, entry: Entry) -> str:
    return f"The batch is over: {entry.mark or told.batch.outcome or 'closed'}."


def _other(told: _Telling, entry: Entry) -> str:
    return f"{told.title(entry)}: {entry.kind.replace('_', ' ')}."


TELL: Mapping[str, Tell] = {
    "opened": _opened, "answered": _answered, "taken_back": _taken, "again": _again,
    "interrupted": _interrupted, "refused": _refused, "misunderstood": _misunderstood,
    "rang": _rang, "delivered": _arrived, "undelivered": _arrived, "aside": _aside,
    "handed": _handed, "told": _told, "checked": _checked, "closed": _closed,
}  # fmt: skip
