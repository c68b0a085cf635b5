"""A district on a table: two facilities, and their supervisors' own conversation. What the
facilities show is on the board, and letters arrive at once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from bot.alert import Alert, AlertLine
from bot.board import standing
from bot.effects import Post
from bot.site import Person, SetCard, Site
from flows.batch import METHODS
from tests.nurse import ALERTS, Ward, rules_of

JUMA, LINDIWE = "+12025550108", "+12025550109"
NEEMA, SALOME, REHEMA = "+12025550101", "+12025550104", "+12025550107"
CHIEFS = (Person("P8", "Juma", JUMA, "supervisor"), Person("P9", "Lindiwe", LINDIWE, "supervisor"))


def facility(site_id: str, people: tuple[Person, ...], *sets: str) -> Site:
    cards = tuple(
        SetCard(i, "M", "bag" if i.startswith("BAG") else "suction", 7, METHODS) for i in sets
    )
    return Site(
        site_id, f"{site_id} Clinic", "TAM", 300, "UTC", METHODS, cards, people, CHIEFS, "gravity"
    )


LOWF = facility(
    "LOWF",
    (Person("P1", "Neema", NEEMA, "nurse"), Person("P4", "Salome", SALOME, "in_charge")),
    "BAG-1", "BAG-2", "SUC-1",
)  # fmt: skip
HIGH = facility("HIGH", (Person("P7", "Rehema", REHEMA, "in_charge"),), "BAG-5", "SUC-5")
ABOVE = Site("district-TAM", "Tamarind", "TAM", 0, "UTC", (), (), (), CHIEFS)


@dataclass
class District:
    """The wards, and *above*: the ward that has no beds, only supervisors."""

    alerts: object = ALERTS
    wards: dict[str, Ward] = field(init=False)
    above: Ward = field(init=False)

    def __post_init__(self) -> None:
        rules = rules_of(alerts=ALERTS)
        self.wards = {s.id: Ward(s, rules) for s in (LOWF, HIGH)}
        self.above = Ward(ABOVE, rules)
        self.show()

    def show(self) -> None:
        """Everything that the facilities show is on the board."""
        board = {i: standing(w.unit) for i, w in self.wards.items()}
        self.above.unit = replace(self.above.unit, board=board)

    @property
    def now(self) -> datetime:
        return self.above.now

    def passes(self, **span: float) -> None:
        """Time goes by; timers ring where they stand."""
        for ward in (*self.wards.values(), self.above):
            ward.passes(**span)

    def says(self, text: str, phone: str = JUMA, *, sent: datetime | None = None) -> str:
        """An SMS of a supervisor, the letters that it sends, and the answer."""
        self.show()
        answer = self.above.says(text, phone=phone, sent_at=sent)
        self.deliver()
        return answer

    def dials(self, text: str, session: str = "s1", phone: str = JUMA) -> str:
        self.show()
        answer = self.above.dials(text, session, phone)
        self.deliver()
        return answer

    def deliver(self) -> list[Post]:
        """Hand over the letters of the last turn."""
        posts = [e for e in self.above.effects if isinstance(e, Post)]
        for post in posts:
            if post.site_id in self.wards:
                self.wards[post.site_id].take(post.letter)
        self.show()
        return posts

    def raised(
        self, site: str, n: int, rule: str = "step", *, told: Iterable[str] = ("P8",),
        ago: float = 5, by: str = "", **facts: str,
    ) -> Alert:  # fmt: skip
        """An open alert of a facility, told *ago* minutes before now."""
        at = self.now - timedelta(minutes=ago)
        usual = {"sets": "BAG-1", "step": "soak", "reason": "refused", "kind": "bag"}
        lines = tuple(AlertLine(at, person, "told") for person in told)
        alert = Alert(f"{site}-{n}", site, rule, f"matter {n}", at, at, {**usual, **facts},
                      by=by, history=lines)  # fmt: skip
        ward = self.wards[site]
        ward.unit = replace(ward.unit.put_alert(alert), serial=max(ward.unit.serial, n))
        self.show()
        return alert

    def alert(self, code: str) -> Alert | None:
        """The alert of this code as its facility keeps it; None when it is closed."""
        return self.wards[code.rpartition("-")[0]].unit.alerts.get(code)
