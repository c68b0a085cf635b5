"""The rules in force: graphs, protocols and command words, handed to every step."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from bot.amend import code_in
from bot.effects import Prompt
from bot.site import Site
from flows.alerting import AlertRules
from flows.batch import Batch
from flows.protocol import Protocol
from flows.stage import Flow

# The commands for somebody hurt: who is hurt may write more than the one word.
ACCIDENTS = ("danger", "needle", "fumes", "burn", "swallowed", "blood")
# The commands that more may follow: what was done, a name, a code, a date, words.
WORDED = ("late", "add", "join", "number", "away", "shift", "new", "retire", "spares", "received",
          "role", "remove")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Rules:
    """What a step goes by. *flow* begins new batches; *flows* finishes those that run.

    *protocols* is keyed by name and by id ("default" and "default-1"): a new batch takes the
    protocol its facility names, a running one the version it began with. *commands* maps a
    language to its words, *late_words* to those of an entry from paper. *hasten* divides exposures,
    for demonstrations only. *alerts* says what somebody must hear of, and who. *fits* says whether
    a prompt, in a language and a zone, is one text; lists are as long as it allows. *languages* are
    the names of the languages, each in its own.
    """

    flow: Flow
    flows: Mapping[str, Flow]
    protocols: Mapping[str, Protocol]
    commands: Mapping[str, Mapping[str, str]]
    hasten: float = 1.0
    alerts: AlertRules = field(default_factory=AlertRules)
    fits: Callable[[Prompt, str, str], bool] | None = None
    late_words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    languages: Mapping[str, str] = field(default_factory=dict)

    def flow_of(self, batch: Batch) -> Flow:
        """The graph that *batch* began on. KeyError if it is no longer there."""
        return self.flows[batch.flow]

    def protocol_of(self, batch: Batch) -> Protocol:
        """The protocol that *batch* began on. KeyError if it is no longer there."""
        return self.protocols[batch.protocol]

    def protocol_for(self, site: Site) -> Protocol:
        """The protocol in force at *site*: its own if batches may go by it, or the default."""
        own = self.protocols.get(site.protocol)
        return own if own and own.for_release else self.protocols["default"]

    def command(self, language: str, text: str) -> str:
        """The command that *text* is in *language* or in English, or "".

        Several words of which the first tells of an accident ask which it was ("danger"); what
        follows LATE, ADD and others is read by each of them.
        """
        word = text.strip().strip(".!").upper()
        first = next(iter(word.replace(",", " ").split()), "").strip(".!:")
        for words in (self.commands.get(language, {}), self.commands.get("en", {})):
            if word in words:
                return words[word]
            if words.get(first) in ACCIDENTS:
                return "danger"
            if words.get(first) in WORDED:
                return words[first]
        return ""

    def joining(self, text: str) -> str:
        """The code that somebody, in whatever language, asks to join with; "" for no such text."""
        asked = any(self.command(language, text) == "join" for language in self.commands)
        return code_in(after(text)) or after(text) if asked else ""


def after(text: str) -> str:
    """What follows the first word of *text*."""
    return text.strip().partition(" ")[2].strip()
