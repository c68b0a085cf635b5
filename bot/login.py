"""The desk's door: a name and a password, a code by SMS where the account has one, the way out.

`Door.add_to` puts a gate before every page of a blueprint; behind it `flask.g.account` is whoever
is logged in, and every form that is posted has carried `csrf`. Nothing that was typed is logged.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from flask import (
    Blueprint,
    Response,
    abort,
    current_app,
    g,
    make_response,
    redirect,
    render_template,
    request,
    url_for,
)
from redis.exceptions import RedisError
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

from bot.account_sessions import LogIns
from bot.account_store import Accounts
from bot.accounts import CODE_LIFE, Account, Kept, Session, digest, form_key, same, title
from bot.effects import Prompt
from bot.outbox import Outbox, Outgoing
from bot.scribe import Render
from bot.site import Person

COOKIE = "soakbell_desk"
FORM_COOKIE = "soakbell_desk_form"  # before anybody is logged in: a form must bring it back
PATH = "/desk"
UNATTENDED = "X-Unattended"  # a page that asks by itself: nobody used it since it asked last
READING = ("GET", "HEAD")
MOST_ADDRESS = 300  # characters of the page to go to after the log-in
CODE_SECONDS = int(CODE_LIFE.total_seconds())

# Our own pages without a host before them; no backslash, which some browsers read as a slash.
_ADDRESS = re.compile(r"/desk(?:[/?][\x21-\x5b\x5d-\x7e]*)?")
_TOKEN = re.compile(r"[\w-]{43}", re.ASCII)

REFUSED = ("The name or the password is not right. After several wrong tries an account is closed"
           " for some minutes: then wait, and try again.")  # fmt: skip
STALE = ("Nothing was done: this page was too old, or your browser keeps no cookies. Please try"
         " once more.")  # fmt: skip
NOT_IN = "Nothing was done: you are not logged in any more. Log in, and do it again."
NO_PHONE = ("Your code cannot be sent: the person whose phone gets it is not in the register. Ask"
            " whoever keeps the accounts.")  # fmt: skip
NO_TEXT = "Your code could not be sent just now. Please log in again in a minute."
WRONG_CODE = "That is not the code of the last text. Please look again."
OVER = "That code is over: too late, or too many wrong ones. Log in again for another."


def new_token() -> str:
    """256 bits that nobody can guess, as 43 characters."""
    return secrets.token_urlsafe(32)


def new_code() -> str:
    """Six digits."""
    return f"{secrets.randbelow(1_000_000):06}"


@dataclass(frozen=True, slots=True)
class Door:
    """Who gets in. *secure*: the cookies travel over TLS only."""

    accounts: Accounts
    log_ins: LogIns
    outbox: Outbox
    render: Render
    clock: Callable[[], datetime]
    secure: bool

    def add_to(self, pages: Blueprint) -> None:
        """The gate before all of *pages* (the blueprint `desk`), and the pages of the door."""
        self.stand_before(pages)
        pages.register_error_handler(RedisError, _no_text)
        routes: dict[str, tuple[str, Callable[[], AnyResponse]]] = {
            "login": ("/login", self._login), "login_code": ("/login/code", self._code)}
        for name, (path, view) in routes.items():
            pages.add_url_rule(path, name, view, methods=["GET", "POST"])
        pages.add_url_rule("/logout", "logout", self._logout, methods=["POST"])

    def stand_before(self, pages: Blueprint) -> None:
        """The gate alone, for a blueprint of other pages under /desk."""
        pages.before_request(self._gate)
        pages.context_processor(_for_every_page)

    # ---- the gate --------------------------------------------------------------------------

    def _gate(self) -> AnyResponse | None:
        """None lets the request in."""
        session = self._session()
        g.account = session.account if session and session.confirmed else None
        g.form_key = form_key(session.token) if session else ""
        if request.endpoint in OPEN:
            return None
        if g.account is None:
            if request.method not in READING:
                abort(403, NOT_IN)
            return redirect(url_for("desk.login", next=_here()), 303)
        if request.method not in READING and not _is_ours(g.form_key):
            abort(403, STALE)
        return None

    def _session(self) -> Session | None:
        token = request.cookies.get(COOKIE, "")
        if not _TOKEN.fullmatch(token):
            return None
        return self.log_ins.find(token, self.clock(), used=UNATTENDED not in request.headers)

    # ---- the log-in ------------------------------------------------------------------------

    def _login(self) -> AnyResponse:
        if request.method == "POST":
            return self._knock()
        if g.account is not None:
            return redirect(_inside(request.args.get("next", "")), 303)
        return self._form()

    def _form(self, wrong: str = "", status: int = 200) -> AnyResponse:
        key = request.cookies.get(FORM_COOKIE, "")
        key = key if _TOKEN.fullmatch(key) else new_token()
        page = render_template(
            "desk_login.html", form_key=key, wrong=wrong, next=_next(),
            nobody=not self.accounts.any(), typed=_typed("name") if wrong else "",
        )  # fmt: skip
        answer = make_response(page, status)
        self._set(answer, FORM_COOKIE, key)
        return answer

    def _knock(self) -> AnyResponse:
        if not _is_ours(request.cookies.get(FORM_COOKIE, "")):
            return self._form(STALE, 403)
        now = self.clock()
        kept = self.accounts.check(_typed("name"), request.form.get("password", ""), now)
        if kept is None:
            return self._form(REFUSED, 403)
        if kept.person:
            return self._send_code(kept, now)
        token = new_token()
        if not self.log_ins.open(kept.account, token, now):
            return self._form(REFUSED, 403)
        return self._let_in(token)

    def _let_in(self, token: str) -> AnyResponse:
        """Logged in by a token that was never seen before, whatever the browser came with."""
        self.log_ins.close(request.cookies.get(COOKIE, ""), self.clock())
        answer = redirect(_inside(_next()), 303)
        self._set(answer, COOKIE, token)
        self._drop(answer, FORM_COOKIE)
        return answer

    def _logout(self) -> AnyResponse:
        if g.form_key:
            if not _is_ours(g.form_key):
                abort(403, STALE)
            self.log_ins.close(request.cookies[COOKIE], self.clock())
        answer = redirect(url_for("desk.login"), 303)
        self._drop(answer, COOKIE)
        return answer

    # ---- the code by SMS -------------------------------------------------------------------

    def _send_code(self, kept: Kept, now: datetime) -> AnyResponse:
        holder = self.accounts.phone_holder(kept.person)
        if holder is None:
            return self._form(NO_PHONE, 403)
        token, code = new_token(), new_code()
        self.log_ins.open_unconfirmed(kept, token, code, now)
        self._text(holder, digest(token), code, now)
        answer = redirect(url_for("desk.login_code", next=_inside(_next())), 303)
        self._set(answer, COOKIE, token)
        return answer

    def _text(self, holder: Person, key: str, code: str, now: datetime) -> None:
        prompt = Prompt("desk.code", {"digits": code, "minutes": CODE_SECONDS // 60})
        text = self.render(prompt, holder.language, "UTC", False, False)
        item = Outgoing(id=f"code:{key}", phone=holder.phone, text=text, kind="note", at=now)
        self.outbox.put_once(item, f"sb:code:{key}", CODE_SECONDS)

    def _code(self) -> AnyResponse:
        if g.account is not None or not g.form_key:  # in already, or nothing waits for a code
            return redirect(url_for("desk.login", next=_next()), 303)
        if request.method == "GET":
            return _code_form()
        if not _is_ours(g.form_key):
            return _code_form(STALE, 403)
        fresh, token = new_token(), request.cookies[COOKIE]
        typed = re.sub(r"\s", "", _typed("code"))
        verdict = self.log_ins.confirm(token, typed, fresh, self.clock())
        if verdict == "wrong":
            return _code_form(WRONG_CODE, 403)
        if verdict == "in":
            return self._let_in(fresh)
        answer = self._form(OVER, 403)
        self._drop(answer, COOKIE)
        return answer

    # ---- cookies ---------------------------------------------------------------------------

    def _set(self, answer: AnyResponse, name: str, value: str) -> None:
        answer.set_cookie(name, value, path=PATH, secure=self.secure, httponly=True,
                          samesite="Lax")  # fmt: skip

    def _drop(self, answer: AnyResponse, name: str) -> None:
        answer.delete_cookie(name, path=PATH, secure=self.secure, httponly=True, samesite="Lax")


OPEN = ("desk.login", "desk.login_code", "desk.logout")


def _for_every_page() -> dict[str, Any]:
    account: Account | None = g.get("account")
    return {"account": account, "account_title": title(account) if account else "",
            "csrf": g.get("form_key", "")}  # fmt: skip


def _code_form(wrong: str = "", status: int = 200) -> Response:
    page = render_template("desk_code.html", wrong=wrong, next=_next(), minutes=CODE_SECONDS // 60)
    return make_response(page, status)


def _no_text(_: RedisError) -> tuple[str, int]:
    return render_template("desk_sorry.html", sorry=NO_TEXT), 503


def _is_ours(key: str) -> bool:
    """Did the form bring back the key that its page was given?"""
    return same(request.form.get("csrf", ""), key)


def _typed(name: str) -> str:
    return request.form.get(name, "")[:MOST_ADDRESS]


# ---- where to go after it ----------------------------------------------------------------------


def _next() -> str:
    return request.values.get("next", "")


def _here() -> str:
    query = request.query_string.decode("ascii", "replace")
    return f"{request.path}?{query}" if query else request.path


def _inside(target: str) -> str:
    """*target* if it is the address of one of the desk's own pages; if not, the first page."""
    first = url_for("desk.now")
    if len(target) > MOST_ADDRESS or not _ADDRESS.fullmatch(target):
        return first
    routes = current_app.url_map.bind("desk.invalid")
    try:
        endpoint, _ = routes.match(target.partition("?")[0], method="GET")
    except HTTPException:
        return first
    return first if endpoint in (*OPEN, "desk.nothing") else target
