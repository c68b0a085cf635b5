"""The register's files at the desk: out as CSV, in again after a look at what would change."""

from __future__ import annotations

import hashlib
import secrets
from collections import Counter
from dataclasses import dataclass
from itertools import islice
from typing import Any, cast

import msgspec
from flask import Blueprint, Response, abort, g, make_response, redirect, render_template, request
from flask import url_for as url
from redis import Redis
from redis.exceptions import RedisError
from werkzeug.wrappers import Response as AnyResponse

from bot.desk_register import NOT_ANSWERING, NOT_SHOWN
from bot.desk_rows import LABELS, NAMES, may_export, may_import, rows_for
from bot.desk_scope import Desk
from bot.errors import RegisterError
from bot.register import Register
from bot.register_changes import NotShown, RegisterChanges
from bot.register_csv import file_of, read_files, read_tables, zip_of
from bot.register_edit import TABLES, Difference, differences, misled, tables

MOST_BYTES = 1024 * 1024  # of one file: some ten thousand rows
DRAFT_SECONDS = 1800  # between the look at what would change and the word that it shall
MOST_SHOWN = 100  # differences on the page
MOST_PROBLEMS = 60

MAY_NOT = "This account may not take the register away."
MAY_NOT_BRING = "Nothing was changed: this account may not bring the register in."
NO_DRAFT = ("Nothing was changed: what you brought was kept for half an hour only, or it is in the"
            " register already. Please bring the files again.")  # fmt: skip
MOVED = ("Nothing was changed: somebody else has changed the register since you looked. Please"
         " bring the files again and look at what would change now.")  # fmt: skip
TOO_LONG = "Nothing was changed: a file of the register has at most a megabyte."


class _Moved(Exception):
    """The register is not what the look was at."""


def files(desk: Desk, changes: RegisterChanges, redis: Redis, region: str) -> Blueprint:
    """The pages of `/desk/register/files`, to stand under the desk's own."""
    pages = Blueprint("files", __name__, url_prefix="/register/files")
    views = _Views(desk, changes, redis, region or None)
    table = f"<any({', '.join(TABLES)}):table>"
    pages.add_url_rule(f"/{table}.csv", "csv", views.csv)
    pages.add_url_rule("/register.zip", "zipped", views.zipped)
    pages.add_url_rule("", "asked", views.asked)
    pages.add_url_rule("", "brought", views.brought, methods=["POST"])
    pages.add_url_rule("/confirm", "confirm", views.confirm, methods=["POST"])
    return pages


@dataclass(frozen=True, slots=True)
class _Views:
    desk: Desk
    changes: RegisterChanges
    redis: Redis
    region: str | None

    # ---- out -------------------------------------------------------------------------------

    def csv(self, table: str) -> Response:
        """One table of what she sees."""
        text = self._files()[f"{table}.csv"]
        return _attached(text.encode(), "text/csv; charset=utf-8", f"{table}.csv")

    def zipped(self) -> Response:
        """All of them."""
        return _attached(zip_of(self._files()), "application/zip", "register.zip")

    def _files(self) -> dict[str, str]:
        if not may_export(g.account):
            abort(403, MAY_NOT)
        register = self.desk.store.load_register()
        return {f"{t}.csv": file_of(t, rows_for(g.account, register, t)) for t in TABLES}

    # ---- in --------------------------------------------------------------------------------

    def asked(self) -> str:
        """The form for the files."""
        if not may_import(g.account):
            abort(403, MAY_NOT_BRING)
        return _page()

    def brought(self) -> AnyResponse:
        """What the files would change; nothing is changed yet."""
        if not may_import(g.account):
            abort(403, MAY_NOT_BRING)
        given = {t: request.files[t].read(MOST_BYTES + 1) for t in TABLES if t in request.files}
        given = {t: body for t, body in given.items() if body.strip()}
        if any(len(body) > MOST_BYTES for body in given.values()):
            abort(413, TOO_LONG)
        if not given:
            return make_response(_page(problems=["No file was chosen."]), 400)
        current = self.desk.store.load_register()
        try:
            wanted = read_files(given, current, self.region)
            self._check_protocols(wanted)
        except RegisterError as refused:
            return make_response(_page(problems=refused.problems), 400)
        made = differences(current, wanted)
        if not made:
            return make_response(_page(nothing=True))
        try:
            key = self._keep(current, wanted)
        except RedisError:
            abort(503, NOT_ANSWERING)
        warnings = [w for w in wanted.warnings if w not in current.warnings]
        return make_response(_page(made=made, key=key, warnings=warnings))

    def _check_protocols(self, wanted: Register) -> None:
        wrong = misled(wanted, self.desk.rules.protocols)
        if wrong:
            raise RegisterError([f"facilities: {f}: no batch may go by protocol {p}"
                                 for f, p in wrong.items()])  # fmt: skip

    def _keep(self, current: Register, wanted: Register) -> str:
        """Keep *wanted* until it is confirmed; returns what the form must bring back."""
        key = secrets.token_hex(8)
        draft = {"key": key, "base": _mark(current), "tables": tables(wanted)}
        self.redis.set(self._place(), msgspec.json.encode(draft), ex=DRAFT_SECONDS)
        return key

    def _place(self) -> str:
        return f"sb:register:draft:{g.account.id}"

    def confirm(self) -> AnyResponse:
        """Put what was looked at in the place of the register that it was looked at beside."""
        if not may_import(g.account):
            abort(403, MAY_NOT_BRING)
        try:
            raw = cast("bytes | None", self.redis.get(self._place()))
            draft: dict[str, Any] = msgspec.json.decode(raw) if raw else {}
            if not draft or draft["key"] != request.form.get("key", ""):
                abort(409, NO_DRAFT)
            self.changes.change(lambda current: _wanted(current, draft), g.account.id)
            self.redis.delete(self._place())
        except (_Moved, RegisterError):
            abort(409, MOVED)
        except NotShown:
            abort(503, NOT_SHOWN)
        except RedisError:
            abort(503, NOT_ANSWERING)
        return redirect(url("desk.register.start"), 303)


def _wanted(current: Register, draft: dict[str, Any]) -> Register:
    if _mark(current) != draft["base"]:
        raise _Moved
    return read_tables(draft["tables"])


def _mark(register: Register) -> str:
    return hashlib.sha256(msgspec.json.encode(tables(register))).hexdigest()


def _attached(body: bytes, kind: str, name: str) -> Response:
    answer = Response(body, content_type=kind)
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def _page(
    problems: list[str] | None = None, made: list[Difference] | None = None, key: str = "",
    warnings: list[str] | None = None, *, nothing: bool = False,
) -> str:  # fmt: skip
    found = problems or []
    sums = Counter((d.table, d.kind) for d in made or [])
    return render_template(
        "desk_files.html", names=NAMES, labels=LABELS, key=key, nothing=nothing,
        problems=found[:MOST_PROBLEMS], more_problems=len(found[MOST_PROBLEMS:]),
        sums=[(NAMES[t][0], kind, n) for (t, kind), n in sums.items()],
        made=list(islice(made or [], MOST_SHOWN)), more=len((made or [])[MOST_SHOWN:]),
        warnings=(warnings or [])[:MOST_PROBLEMS],
    )  # fmt: skip
