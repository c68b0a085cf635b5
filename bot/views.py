"""What the bot knows, in words, for the page beside the handset."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from bot.effects import Prompt, Shown
from bot.model import Unit
from bot.site import Person, Site
from bot.wiring import Parts
from flows.batch import Batch, Entry
from flows.release import Finding, findings

Row = Mapping[str, Any]


class Views:
    """Reads units and puts them into the rows of the handset page. *sites* are the register's."""

    def __init__(self, parts: Parts, site_ids: Iterable[str]) -> None:
        self._parts = parts
        self._site_ids = tuple(site_ids)

    def people(self) -> list[Row]:
        """Everyone who may hold the phone, with the sets of her facility."""
        rows: list[Row] = []
        for unit in self._units():
            sets = list(self._sets(unit))
            for person in (*unit.site.people, *unit.site.supervisors):
                if not unit.site.sets and person not in unit.site.supervisors:
                    continue
                if unit.site.sets and person in unit.site.supervisors:
                    continue  # listed once, with her district
                rows.append(_holder(unit.site, person, sets))
        return rows

    def _units(self) -> Iterator[Unit]:
        found = self._parts.service.sessions.units(self._site_ids)
        return (unit for unit in found.values() if unit)

    def _sets(self, unit: Unit) -> Iterator[Row]:
        now = self._parts.service.clock()
        for card in unit.site.sets:
            state = unit.state_of(card.id)
            row: dict[str, Any] = {"id": card.id, "model": card.model, "condition": state.now(now)}
            if row["condition"] == "READY":
                row |= {"until": state.expires_at}
            yield row

    def batch(self, phone: str) -> Row | None:
        """The batch that *phone* works on, or worked on last: log, findings, how it ended."""
        unit = next((u for u in self._units() if u.site.person(phone)), None)
        if unit is None:
            return None
        talk = unit.talk(phone)
        batch = unit.batches.get(talk.batch)
        if batch is None:
            return self._closed(unit, talk.last)
        return self._row(unit, batch)

    def _closed(self, unit: Unit, batch_id: str) -> Row | None:
        batch = self._parts.store.document(batch_id) if batch_id else None
        return self._row(unit, batch) if batch else None

    def _row(self, unit: Unit, batch: Batch) -> Row:
        protocol = self._parts.rules.protocol_of(batch)
        against = [self._say(unit, finding_prompt(f)) for f in findings(batch, protocol)]
        return {
            "id": batch.id,
            "about": [
                f"Sets {batch.names}.",
                f"Protocol {batch.protocol}, stages {batch.flow}.",
                f"{batch.segments} SMS segments so far.",
                *(["Done by the paper log, told afterwards."] if batch.late else []),
            ],
            "due": batch.due,
            "log": [self._line(unit, e) for e in batch.log],
            "findings": against,
            "outcome": batch.outcome,
        }

    def _line(self, unit: Unit, entry: Entry) -> Row:
        person = unit.site.by_id(entry.by)
        return {
            "at": entry.at,
            "by": person.name if person else entry.by,
            "what": self._what(unit, entry),
        }

    def _what(self, unit: Unit, entry: Entry) -> str:
        words = [self._say(unit, Prompt(f"{entry.stage}.title")), entry.kind.replace("_", " ")]
        words += [f'"{entry.said}"'] if entry.said else []
        words += [f"= {entry.mark.replace('_', ' ')}"] if entry.mark else []
        words += [entry.set_id] if entry.set_id else []
        words += [f"(line {entry.voids + 1})"] if entry.voids is not None else []
        return " ".join([*words, *told_later(entry)])

    def _say(self, unit: Unit, prompt: Prompt) -> str:
        return self._parts.wording.sentence(prompt, "en", unit.site.zone)


def told_later(entry: Entry) -> list[str]:
    """That a line of a log came from paper, or tells a time of its own; nothing for the others."""
    if "sent" in entry.facts:
        return ["(told late, from paper)"]
    return [f"(said {entry.facts['said_time']})"] if "said_time" in entry.facts else []


def finding_prompt(finding: Finding) -> Prompt:
    """A release finding as a prompt."""
    values: dict[str, Shown] = {"what": Prompt(f"mark.{finding.mark}"), "set": finding.set_id}
    return Prompt(f"finding.{finding.code}", values)


def _holder(site: Site, person: Person, sets: list[Row]) -> Row:
    return {
        "name": person.name,
        "role": person.role.replace("_", " "),
        "facility": site.name,
        "phone": person.phone,
        "zone": site.zone,
        "sets": sets,
    }
