"""The web application: hooks, API, desk, health; for demonstrations the handset and its gateway."""

from __future__ import annotations

from flask import Blueprint, Flask, Response, redirect
from redis.exceptions import RedisError
from werkzeug.wrappers import Response as AnyResponse

from bot.api import api
from bot.config import Config
from bot.demo_gateway import ReceiptPoster, demo_gateway
from bot.desk import desk
from bot.desk_counts import counts
from bot.desk_files import files
from bot.desk_messages import messages
from bot.desk_planning import planning
from bot.desk_register import register_pages
from bot.desk_report import report_pages
from bot.desk_scope import Desk
from bot.desk_trail import trail
from bot.effects import Prompt
from bot.errors import StoreDown
from bot.gateway import read_shape
from bot.handset import handset
from bot.login import Door
from bot.mailbox import Mailbox
from bot.register_changes import RegisterChanges
from bot.views import Views
from bot.webhooks import webhooks
from bot.wiring import Parts, add_demo_account


def create_app(config: Config, parts: Parts) -> Flask:
    """The application for one process; any number of processes may serve it."""
    app = Flask("bot")
    service = parts.service
    app.register_blueprint(
        webhooks(
            service.handle,
            service.receive,
            config.hook_key,
            read_shape(config.gateway_file),
            service.clock,
            service.tick,
            parts.wording.render(Prompt("sorry"), "en", "UTC", False, False),
            config.region,
        )
    )
    app.register_blueprint(api(parts.store, parts.tokens, service.clock,
                               config.small_numbers))
    door = Door(parts.accounts, parts.log_ins, service.outbox, parts.wording.render, service.clock,
                secure=not config.demo)  # fmt: skip
    app.register_blueprint(_desk_pages(parts, door, config.region))
    _add_health(app, parts)
    if config.demo:
        _add_demo(app, config, parts)
    return app


def _desk_pages(parts: Parts, door: Door, region: str) -> Blueprint:
    """The desk, and under it, behind the same door, the messages and the register."""
    read = _desk_of(parts)
    pages = desk(read, door)
    changes = RegisterChanges(parts.store, parts.redis, read.clock)
    pages.register_blueprint(messages(read, parts.redis))
    pages.register_blueprint(register_pages(read, changes, region))
    pages.register_blueprint(files(read, changes, parts.redis, region))
    pages.register_blueprint(trail(read))
    pages.register_blueprint(counts(read))
    pages.register_blueprint(planning(read))
    pages.register_blueprint(report_pages(read))
    return pages


def _desk_of(parts: Parts) -> Desk:
    service = parts.service
    return Desk(parts.store, service.sessions, parts.rules, parts.wording, service.clock,
                service.posts.put, parts.accounts.person)  # fmt: skip


def _add_health(app: Flask, parts: Parts) -> None:
    @app.get("/healthz")
    def healthz() -> Response:
        return Response("ok\n", mimetype="text/plain")

    @app.get("/readyz")
    def readyz() -> Response:
        """Ready when Redis and the store answer; says how late bells and messages are."""
        try:
            now = parts.service.clock().timestamp()
            late = {
                "timers": parts.service.timers.oldest(now),
                "messages": parts.service.outbox.due.oldest(now),
                "pushes": parts.service.pushes.oldest(now),
            }
            parts.store.ping()
        except (RedisError, StoreDown):
            return Response("not ready\n", status=503, mimetype="text/plain")
        lines = "".join(f"{name} {seconds:.1f} s late\n" for name, seconds in late.items())
        return Response(lines, mimetype="text/plain")


def _add_demo(app: Flask, config: Config, parts: Parts) -> None:
    add_demo_account(parts)
    mailbox = Mailbox(parts.redis)
    poster = ReceiptPoster(f"{config.gateway_url}/hooks/{config.hook_key}/receipt")
    app.extensions["soakbell_receipts"] = poster
    app.register_blueprint(
        demo_gateway(mailbox, parts.service.clock, config.gateway_api_key, poster)
    )
    sites = [site.id for site in parts.store.load_register().sites()]
    views = Views(parts, sites)
    app.register_blueprint(
        handset(views.people, views.batch, mailbox, config.hook_key, config.hasten)
    )

    @app.get("/")
    def home() -> AnyResponse:
        return redirect("/handset")
