"""The whole application on a clock that stands still, its gateway beside it, and the phones.

People speak through the gateway's own form fields over HTTP; what the bot sends goes over HTTP to
the demonstration's gateway and lies in its mailbox. After every move of the clock the sweep and
the job queues are worked off until nothing is due, so bells come as they do in service.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from queue import SimpleQueue
from threading import Thread
from typing import Any, cast

import requests
from flask import Flask, Response
from redis import Redis
from werkzeug.serving import make_server

from bot import outbox, pushes, timers
from bot.config import Config, from_env
from bot.demo_gateway import demo_gateway, receipt_form
from bot.gateway import open_session
from bot.machine import step
from bot.mailbox import Mailbox, Message
from bot.model import Unit
from bot.register import Register
from bot.site_pages import publish
from bot.views import Views
from bot.web import create_app
from bot.wiring import Parts, announce, build, connect
from flows.batch import METHODS, Batch
from flows.prompts import segments
from tests.conftest import FakeClock
from tests.nurse import SAID
from workers import jobs
from workers.embedded import new_worker
from workers.sweep import QUEUES, queues, sweep_once

SHORT_CODE = "20255"
STRANGER = "+12025550199"
NOBODY_SINCE = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass
class Phone:
    """One person's phone: *inbox* is all that ever came, *read* how much of it was read.

    *screen* is the last USSD screen; *looked* says whether anybody looked at it.
    """

    name: str
    number: str
    read: int = 0
    session: str = ""
    typed: list[str] = field(default_factory=list)
    screen: str = ""
    looked: bool = True


@contextmanager
def _served(app: Flask) -> Iterator[str]:
    """Serve *app* on a free port of this machine; yields its address."""
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def settings(gateway_url: str, data: Path, **more: str) -> Config:
    """A demonstration's settings, with the gateway at *gateway_url*."""
    own = {"DEMO": "1", "DATA": str(data), "GATEWAY_URL": gateway_url, **more}
    return from_env({f"SOAKBELL_{name}": value for name, value in own.items()})


class World:
    """Everything that runs, and everybody who speaks. Use it in a `with` block."""

    def __init__(
        self, register: Register, clock: FakeClock, data: Path, redis: Redis | None = None,
        *, watched: bool = False, **more: str,
    ) -> None:  # fmt: skip
        self.clock = clock
        self._stack = ExitStack()
        self._receipts: SimpleQueue[dict[str, str]] = SimpleQueue()
        self._receipts_posted = 0
        self._serial = 0
        self.last_sms: dict[str, str] = {}
        config = settings("http://127.0.0.1:9", data, **more)
        self.redis = redis if redis is not None else connect(config)
        self.mailbox = Mailbox(self.redis)
        self.gateway_down = False  # while it is, the gateway answers nobody's message
        gateway = Flask("gateway")
        gateway.before_request(lambda: Response(status=503) if self.gateway_down else None)
        gateway.register_blueprint(demo_gateway(self.mailbox, clock, "demo", self._receipt))
        config = replace(config, gateway_url=self._stack.enter_context(_served(gateway)))
        self.parts = _on_fake_clock(build(config, self.redis, clock), clock)
        if not watched:
            self.parts = _unwatched(self.parts)
        self.register = register
        announce(self.parts, register)
        app = create_app(config, self.parts)
        self._stack.callback(app.extensions["soakbell_receipts"].close)
        self._stack.callback(self.parts.store.close)
        self.url = self._stack.enter_context(_served(app))
        self._http = self._stack.enter_context(open_session())
        self._queues = queues(self.redis)
        self._worker = new_worker(QUEUES, self.redis)
        jobs.use(self.parts.service)
        self.sites = [site.id for site in register.sites()]
        self.views = Views(self.parts, self.sites)
        people = {p.name: Phone(p.name, p.phone) for s in register.sites() for p in s.people}
        people |= {p.name: Phone(p.name, p.phone) for s in register.sites() for p in s.supervisors}
        self.phones = {**people, "Stranger": Phone("Stranger", STRANGER)}
        self.settle()  # each facility has looked at its time, and shows itself to its district

    def __enter__(self) -> World:
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def _receipt(self, message_id: str, phone: str, delivered: bool) -> None:
        self._receipts.put(receipt_form(message_id, phone, delivered=delivered))

    # ---- what people do ----------------------------------------------------------------------

    def limits(self, site_id: str, names: list[str]) -> None:
        """The facility has the methods of these names only, from now on."""
        methods = tuple(m for m in METHODS if m in names)
        facilities = tuple(
            replace(f, methods=methods) if f.id == site_id else f for f in self.register.facilities
        )
        self.register = replace(self.register, facilities=facilities)
        announce(self.parts, self.register)

    def stocks(self, site_id: str, **facts: Any) -> None:
        """The register's page of the facility says *facts* of it, from now on."""
        sites = [replace(s, **facts) if s.id == site_id else s for s in self.register.sites()]
        publish(self.redis, sites, self.register.phones())

    def shares(self, name: str, owner: str) -> None:
        """The person is registered with the phone of another from now on."""
        phone = self.phones[owner].number
        people = tuple(
            replace(m, person=replace(m.person, phone=phone)) if m.person.name == name else m
            for m in self.register.people
        )
        self.register = replace(self.register, people=people)
        announce(self.parts, self.register)

    def leaves(self, name: str) -> None:
        """The person is no longer in the register."""
        people = tuple(m for m in self.register.people if m.person.name != name)
        self.register = replace(self.register, people=people)
        announce(self.parts, self.register)

    def texts(self, phone: Phone, text: str, written: datetime | None = None) -> None:
        """An SMS from *phone*, written now or earlier."""
        self._serial += 1
        date = (written or self.clock()).isoformat().replace("+00:00", "Z")
        self.last_sms = {
            "from": phone.number, "to": SHORT_CODE, "text": text, "date": date,
            "id": f"sms-{self._serial}", "linkId": "", "networkCode": "99999",
        }  # fmt: skip
        self.same_sms()

    def same_sms(self) -> None:
        """The gateway posts the last SMS, again if it was posted before."""
        answer = self.posts("sms", self.last_sms)
        assert (answer.status_code, answer.text) == (200, "")
        self.settle()

    def dials(self, phone: Phone) -> None:
        """A new USSD session."""
        self._serial += 1
        phone.session, phone.typed = f"ussd-{self._serial}", []
        self._request(phone)

    def answers(self, phone: Phone, text: str) -> None:
        """One more answer in the session that is open."""
        assert phone.session, f"{phone.name} has no open session"
        phone.typed.append(text)
        self._request(phone)

    def same_request(self, phone: Phone) -> None:
        """The network repeats the last USSD request: the same screen must come."""
        before = phone.screen
        self._request(phone)
        assert phone.screen == before

    def _request(self, phone: Phone) -> None:
        form = {
            "sessionId": phone.session, "phoneNumber": phone.number, "networkCode": "99999",
            "serviceCode": "*202#", "text": "*".join(phone.typed),
        }  # fmt: skip
        answer = self.posts("ussd", form)
        assert answer.status_code == 200
        assert answer.headers["Content-Type"].startswith("text/plain")
        phone.screen, phone.looked = answer.text, False
        assert phone.screen.startswith(("CON ", "END "))
        if phone.screen.startswith("END "):
            phone.session = ""
        self.settle()

    def posts(self, hook: str, form: dict[str, str]) -> requests.Response:
        """One request of the gateway, with nothing done about it yet."""
        return self._http.post(f"{self.url}/hooks/demo/{hook}", data=form, timeout=30)

    # ---- what happens with nobody asking -----------------------------------------------------

    def passes(self, span: timedelta) -> None:
        """Let time pass, stopping whenever something comes due on the way."""
        end = self.clock.now + span
        while (due := self._next_due()) is not None and due <= end:
            self.clock.now = max(due, self.clock.now)
            self.settle()
        self.clock.now = end
        self.settle()

    def _next_due(self) -> datetime | None:
        heads = [self.redis.zrange(k, 0, 0, withscores=True) for k in
                 (timers.KEY, outbox.DUE, pushes.DUE)]  # fmt: skip
        scores = [score for head in heads for _, score in cast("list[tuple[bytes, float]]", head)]
        return datetime.fromtimestamp(min(scores), UTC) if scores else None

    def settle(self) -> None:
        """Sweep, work and post receipts until nothing more is due."""
        while sweep_once(self.redis, self._queues, self.clock()) or self._receipts_wait():
            self._worker.work(burst=True, logging_level="WARNING")
            while self._receipts_wait():
                self._receipts_posted += 1
                # Written by the gateway's own thread a moment after its answer: wait for it.
                assert self.posts("receipt", self._receipts.get(timeout=30)).status_code == 200

    def _receipts_wait(self) -> bool:
        return self._receipts_posted < int(cast("bytes", self.redis.get("sb:demo:serial")) or 0)

    # ---- what there is to see ----------------------------------------------------------------

    def inbox(self, phone: Phone) -> list[Message]:
        """All that came to *phone*."""
        return self.mailbox.messages(phone.number)

    def segments_sent(self) -> int:
        """How many SMS segments the gateway has taken for everybody's phones."""
        texts = [m.text for p in self.phones.values() for m in self.inbox(p)]
        return sum(segments(text)[2] for text in texts)

    def api(self, path: str) -> Any:
        """What the API answers to a programme's token."""
        headers = {"Authorization": "Bearer demo"}
        answer = self._http.get(f"{self.url}/api/v1/{path}", headers=headers, timeout=30)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def units(self) -> list[Unit]:
        """Every facility as the conversations know it."""
        found = self.parts.service.sessions.units(self.sites).values()
        return [unit for unit in found if unit]

    def batch(self, set_id: str = "") -> Batch:
        """The newest batch, open or closed: of all, or of those that the set was in."""
        held = [b for unit in self.units() for b in unit.batches.values()]
        ids = [t.last for unit in self.units() for t in unit.talks.values() if t.last]
        closed = [b for i in ids if (b := self.parts.store.document(i))]
        found = [b for b in (*held, *closed) if not set_id or set_id in {s.id for s in b.sets}]
        assert found, "there is no such batch"
        return max(found, key=lambda b: (b.opened_at, int(b.id.rpartition("-")[2])))


def _unwatched(parts: Parts) -> Parts:
    """The same parts, where only what people say themselves becomes an alert."""
    step_so = partial(step, rules=replace(parts.rules, alerts=SAID))
    return replace(parts, service=replace(parts.service, step=step_so))


def _on_fake_clock(parts: Parts, clock: FakeClock) -> Parts:
    """The same parts, whose second clock runs with the first."""
    return replace(parts, service=replace(parts.service, tick=clock.tick))
