"""The desk's register: its tables, one row at a time to look at and to change.

Every change is one transaction with its line in the trail, and the conversations go by it at once.
A row that somebody else changed meanwhile is not overwritten unseen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from flask import Blueprint, abort, g, make_response, redirect, render_template, request, url_for
from redis.exceptions import RedisError
from werkzeug.wrappers import Response as AnyResponse

from bot.desk_rows import (
    KEPT,
    LABELS,
    LISTED,
    NAMES,
    OUTRIGHT,
    fields,
    mark_of,
    may_add,
    may_export,
    may_import,
    may_put,
    may_remove,
    rows_for,
    sees_phones,
    sees_row,
    site_of,
)
from bot.desk_scope import Desk
from bot.register import Register
from bot.register_changes import NotShown, RegisterChanges
from bot.register_edit import (
    NO_ROW,
    TABLES,
    Cells,
    Problems,
    RowRefused,
    cells_of,
    differences,
    misled,
    put,
    remove,
)

MOST_ROWS = 60  # of a table on one page
MOST_TYPED = 400  # characters of one field: the longest list of measures has room

NOT_THERE = "There is no such row in the register."
MAY_NOT = "Nothing was changed: this account may not change that."
NOT_ANSWERING = ("Nothing was changed: the conversations do not answer. Please send it again in a"
                 " minute.")  # fmt: skip
NOT_SHOWN = ("It is saved, but the conversations do not answer, so they go by the old register."
             " Save any row again, as it is, once they do.")  # fmt: skip
NO_PROTOCOL = "no batch may go by this protocol"
DONE = {"saved": "Saved. The conversations go by it from now on.", "gone": "Taken out."}


class _Overtaken(Exception):
    """Somebody else changed the row since its form was opened: it is *now* so."""

    def __init__(self, now: Cells) -> None:
        super().__init__("the row is not what it was")
        self.now = now


class _MayNot(Exception):
    """The row is not hers to change, or would not be."""


def register_pages(desk: Desk, changes: RegisterChanges, region: str) -> Blueprint:
    """The pages of `/desk/register`, to stand under the desk's own."""
    pages = Blueprint("register", __name__, url_prefix="/register")
    views = _Views(desk, changes, region or None)
    table = f"/<any({', '.join(TABLES)}):table>"
    routes: dict[str, tuple[str, Callable[..., Any], Callable[..., Any] | None]] = {
        "start": ("", views.start, None),
        "listed": (table, views.listed, None),
        "new": (f"{table}/new", views.new, views.save),
        "row": (f"{table}/row/<row_id>", views.row, views.save),
        "out": (f"{table}/row/<row_id>/out", views.leaving, views.out),
    }
    for name, (path, read, write) in routes.items():
        pages.add_url_rule(path, name, read)
        if write is not None:
            pages.add_url_rule(path, f"{name}_done", write, methods=["POST"])
    return pages


@dataclass(frozen=True, slots=True)
class _Views:
    desk: Desk
    changes: RegisterChanges
    region: str | None

    # ---- to look at ------------------------------------------------------------------------

    def start(self) -> str:
        """Every table with the number of its rows."""
        register = self.desk.store.load_register()
        sizes = {t: len(rows_for(g.account, register, t)) for t in TABLES}
        return render_template(
            "desk_register.html", names=NAMES, sizes=sizes, warnings=self._warnings(register),
            may_export=may_export(g.account), may_import=may_import(g.account),
            trail=g.account.role != "in_charge",
        )  # fmt: skip

    def _warnings(self, register: Register) -> list[str]:
        """What leaves somebody without an answer, for those who can mend it."""
        return list(register.warnings) if may_import(g.account) else []

    def listed(self, table: str) -> str:
        """A table, a page at a time."""
        register = self.desk.store.load_register()
        rows, after = rows_for(g.account, register, table), request.args.get("after", "")
        left = [row for row in rows if row["id"] > after]
        shown = left[:MOST_ROWS]
        return render_template(
            "desk_table.html", table=table, names=NAMES[table], columns=LISTED[table],
            labels=LABELS, rows=shown, after=shown[-1]["id"] if left[MOST_ROWS:] else "",
            count=len(rows), may_add=may_add(g.account, table),
            done=DONE.get(request.args.get("done", ""), ""),
        )  # fmt: skip

    def row(self, table: str, row_id: str) -> str:
        """The row as a form, or to read for whoever may not change it."""
        register = self.desk.store.load_register()
        cells = self._seen(register, table, row_id)
        return self._form(register, table, row_id, cells, {}, mark_of(cells, _phones()))

    def new(self, table: str) -> str:
        """An empty form."""
        if not may_add(g.account, table):
            abort(403, MAY_NOT)
        return self._form(self.desk.store.load_register(), table, "", {"language": "en"}, {}, "")

    def _seen(self, register: Register, table: str, row_id: str) -> dict[str, str]:
        cells = cells_of(register, table, row_id)
        if cells is None or not sees_row(g.account, register, table, cells):
            abort(404, NOT_THERE)
        return cells

    def _form(
        self, register: Register, table: str, row_id: str, cells: Cells, wrong: Problems,
        mark: str, moved: Mapping[str, tuple[str, str]] | None = None,
    ) -> str:  # fmt: skip
        hidden = {} if _phones() or not row_id or KEPT in request.form else {KEPT: ""}
        found = fields(g.account, register, self.desk.rules.protocols, table, {**cells, **hidden},
                       wrong, new=not row_id)  # fmt: skip
        kept = cells_of(register, table, row_id) if row_id else None
        return render_template(
            "desk_row.html", table=table, names=NAMES[table], row_id=row_id, fields=found,
            wrong=wrong, mark=mark, moved=moved, labels=LABELS,
            may=kept is None or may_put(g.account, register, table, kept),
            out=OUTRIGHT.get(table, "") if kept and may_remove(
                g.account, register, table, kept) else "",
        )  # fmt: skip

    # ---- to change -------------------------------------------------------------------------

    def save(self, table: str, row_id: str = "") -> AnyResponse:
        """Make the row what was typed; whatever is wrong is said beside what was typed."""
        register = self.desk.store.load_register()
        if row_id:
            self._seen(register, table, row_id)
        elif not may_add(g.account, table):
            abort(403, MAY_NOT)
        typed = {c: " ".join(request.form.getlist(c))[:MOST_TYPED] for c in TABLES[table]}
        mark = request.form.get("mark", "")
        try:
            self._change(lambda current: self._put(current, table, row_id, typed, mark))
        except RowRefused as refused:
            page = self._form(register, table, row_id, typed, refused.problems, mark)
            return make_response(page, 400)
        except _Overtaken as meanwhile:
            now, moved = meanwhile.now, _moved(table, typed, meanwhile.now)
            page = self._form(register, table, row_id, typed, {}, mark_of(now, _phones()), moved)
            return make_response(page, 409)
        return redirect(url_for("desk.register.listed", table=table, done="saved"), 303)

    def _put(
        self, current: Register, table: str, row_id: str, typed: Cells, mark: str
    ) -> Register:
        """What `RegisterChanges` asks for: all is looked at again, in the transaction."""
        now = cells_of(current, table, row_id) if row_id else None
        if row_id:
            now = self._unmoved(current, table, row_id, mark)
        cells = dict(typed)
        if now and not _phones() and not typed.get(KEPT, "").strip():
            cells[KEPT] = now.get(KEPT, "")
        after = put(current, table, row_id, cells, self.region)
        for one in differences(current, after):
            made = cells_of(after, table, one.id)
            if made and not may_put(g.account, after, table, made):
                raise _MayNot
            if table == "facilities" and one.id in misled(after, self.desk.rules.protocols):
                raise RowRefused({"protocol": NO_PROTOCOL})
        return after

    def _unmoved(
        self, current: Register, table: str, row_id: str, mark: str
    ) -> dict[str, str]:
        now = cells_of(current, table, row_id)
        if now is None:
            raise RowRefused({"": NO_ROW})
        if not may_put(g.account, current, table, now):
            raise _MayNot
        if mark_of(now, _phones()) != mark:
            raise _Overtaken(now)
        return now

    def _change(self, edit: Callable[[Register], Register]) -> None:
        try:
            self.changes.change(edit, g.account.id)
        except _MayNot:
            abort(403, MAY_NOT)
        except NotShown:
            abort(503, NOT_SHOWN)
        except RedisError:
            abort(503, NOT_ANSWERING)

    # ---- to take out -----------------------------------------------------------------------

    def leaving(self, table: str, row_id: str) -> str:
        """What it would mean to take the row out, before it is done."""
        register = self.desk.store.load_register()
        cells = self._seen(register, table, row_id)
        if not may_remove(g.account, register, table, cells):
            abort(403, MAY_NOT)
        return self._leave_page(table, row_id, cells, "")

    def _leave_page(self, table: str, row_id: str, cells: Cells, wrong: str) -> str:
        return render_template(
            "desk_out.html", table=table, names=NAMES[table], row_id=row_id, cells=cells,
            deed=OUTRIGHT[table], mark=mark_of(cells, _phones()), wrong=wrong,
            open=self._open(table, row_id, cells), labels=LABELS, columns=LISTED[table],
        )  # fmt: skip

    def _open(self, table: str, row_id: str, cells: Cells) -> list[str]:
        """The open batches that the set is in, or that the person holds."""
        unit = self.desk.unit(site_of(table, cells))
        batches = unit.batches.values() if unit else ()
        if table == "people":
            return [b.id for b in batches if b.holder == row_id]
        return [b.id for b in batches if row_id in {s.id for s in b.remaining}]

    def out(self, table: str, row_id: str) -> AnyResponse:
        """Take the row out, if it still is what the page before showed."""
        cells = self._seen(self.desk.store.load_register(), table, row_id)
        if table not in OUTRIGHT:
            _refuse()

        def edit(current: Register) -> Register:
            self._unmoved(current, table, row_id, request.form.get("mark", ""))
            return remove(current, table, row_id)

        try:
            self._change(edit)
        except RowRefused as refused:
            return make_response(self._leave_page(table, row_id, cells, str(refused)), 400)
        except _Overtaken:
            moved = "Somebody else has changed this row meanwhile. Look at it again first."
            return make_response(self._leave_page(table, row_id, cells, moved), 409)
        return redirect(url_for("desk.register.listed", table=table, done="gone"), 303)


def _refuse() -> NoReturn:
    abort(403, MAY_NOT)


def _phones() -> bool:
    return sees_phones(g.account)


def _moved(table: str, typed: Cells, now: Cells) -> dict[str, tuple[str, str]]:
    """Where what was typed is not what the row says now: both, and no phone."""
    return {c: (typed.get(c, ""), now[c]) for c in TABLES[table]
            if c not in ("id", KEPT) and typed.get(c, "") != now[c]}  # fmt: skip
