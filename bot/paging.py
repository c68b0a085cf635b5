"""Screens that lie over whatever a person is at, as texts: as many rows as fit, the rest behind 8.

What each screen is, `flows.supervision` says; what its rows are, `bot.overview`.
"""

from __future__ import annotations

from collections.abc import Sequence

from bot.asking import framed, noted, numbered
from bot.effects import Day, Prompt, Shown
from bot.overview import ROWS, Row, alerts, find, waits_for
from bot.turn import Turn
from flows.supervision import MAIN, SCREENS, Screen

MOST_PICKED = 7  # 8, 9 and 0 mean more, help and back
MOST_ROWS = 20  # no text has room for as many
FEW = 3  # rows where nobody says what fits
ABOUT_ALERT = ("alert", "alert_why", "alert_ask")


def overlaid(turn: Turn) -> bool:
    """Whether the screen shown is one of these. A supervisor is at no other, but for a danger."""
    screen = turn.talk.screen
    above = bool(turn.unit.site.watches) and not screen.startswith(("danger", "number"))
    return screen in SCREENS or above


def show_overlaid(turn: Turn, note: Prompt | None = None, *, end: bool = False) -> None:
    """Show the screen, which `settle` has looked at."""
    prompt, shown = page(turn, SCREENS[turn.talk.screen], note)
    turn.put_talk(choices=shown)
    turn.reply(prompt, end=end)


def settle(turn: Turn) -> Prompt | None:
    """Leave a screen that has nothing to show any more; returns what is to be said of it."""
    if not overlaid(turn):
        return None
    screen = SCREENS.get(turn.talk.screen)
    if screen is None:
        _leave(turn)
        return None
    note = None
    if screen.id in ABOUT_ALERT and find(turn, turn.talk.about) is None:
        note = Prompt("note.closed", {"code": turn.talk.about})
        screen = SCREENS["alerts"]
        turn.put_talk(screen=screen.id, about="", page=0)
    if screen.rows and not ROWS[screen.rows](turn):
        _leave(turn)
        return note or nothing(screen)
    return note


def _leave(turn: Turn) -> None:
    """To the main screen; at a facility to where she was."""
    under = "" if turn.batch() else "home"
    screen = MAIN if turn.unit.site.watches else under
    turn.put_talk(screen=screen, about="", page=0, choices=())


def nothing(screen: Screen) -> Prompt:
    """That the list of *screen* is empty."""
    return Prompt("none.alerts" if screen.rows in ("alerts", "alert") else f"none.{screen.id}")


def page(
    turn: Turn, screen: Screen, note: Prompt | None = None, rows: Sequence[Row] | None = None
) -> tuple[Prompt, tuple[str, ...]]:
    """The text of *screen* from the row that the talk stands at, and the ids of the rows in it.

    *rows*: these and no others.
    """
    if rows is None:
        rows = ROWS[screen.rows](turn) if screen.rows else ()
    start = turn.talk.page if turn.talk.page < len(rows) else 0
    most = min(MOST_PICKED if screen.pick else MOST_ROWS, len(rows) - start)
    count = min(1, most)
    best = _text(turn, screen, note, rows, start, count)
    if not _fits(turn, best) and count < len(rows) - start:
        best = _text(turn, screen, note, rows, start, count, "foot.eight")
    while count < (most if turn.rules.fits else min(most, FEW)):
        longer = _text(turn, screen, note, rows, start, count + 1)
        if not _fits(turn, longer):
            break
        best, count = longer, count + 1
    return best, tuple(r.id for r in rows[start : start + count])


def _fits(turn: Turn, prompt: Prompt) -> bool:
    language = turn.person.language if turn.person else "en"
    return turn.rules.fits is None or turn.rules.fits(prompt, language, turn.unit.site.zone)


def _text(
    turn: Turn, screen: Screen, note: Prompt | None, rows: Sequence[Row], start: int, count: int,
    foot: str = "foot.more",
) -> Prompt:  # fmt: skip
    shown = rows[start : start + count]
    left = len(rows) - start - len(shown)
    values = _values(turn, screen)
    values["options"] = numbered([r.text for r in shown]) if screen.pick else ""
    parts: dict[str, Shown] = {f"row{n}": r.text for n, r in enumerate(shown)}
    values["rows"] = Prompt("parts", parts) if parts else ""
    values["more"] = f" (+{left})" if left and foot == "foot.more" else ""
    text = framed(Prompt(f"screen.{screen.id}", values), foot if left else "foot.screen")
    return noted(note, text) if note else text


def _values(turn: Turn, screen: Screen) -> dict[str, Shown]:
    site, me = turn.unit.site, turn.person.id if turn.person else ""
    values: dict[str, Shown] = {"site": site.id, "code": turn.talk.about}
    if screen.id == MAIN:
        values |= {"site": site.watches, "count": len(alerts(turn))}
    elif screen.id == "answered":
        # What she has just answered may still be on the board: its facility has yet to read it.
        waiting = (a for a in alerts(turn) if a.id != turn.talk.about)
        values["count"] = sum(waits_for(a, me) for a in waiting)
    elif screen.id == "facility":
        values["site"] = turn.talk.about
    elif screen.id == "today":
        values["count"] = len(turn.unit.board)
    elif screen.id == "alert_ask":
        alert = find(turn, turn.talk.about)
        values["site"] = alert.facility if alert else "?"
    quiet = turn.talk.quiet_until
    still = quiet is not None and quiet > turn.now
    values["quiet"] = Prompt("quiet.now", {"until": Day(quiet)}) if quiet and still else ""
    return values


def more(turn: Turn) -> bool:
    """8: the next page of the list shown, after its last one the first; False where it is all."""
    screen = SCREENS.get(turn.talk.screen)
    count = len(ROWS[screen.rows](turn)) if screen and screen.rows else 0
    after = turn.talk.page + len(turn.talk.choices)
    if after >= count and not turn.talk.page:
        return False
    turn.put_talk(page=after if after < count else 0)
    show_overlaid(turn)
    return True


def digest(turn: Turn, rows: Sequence[Row]) -> Prompt:
    """The list of alerts with *rows* alone, for a text that nobody asked for; it is her screen
    from now on, so that a digit picks from it and answers nothing."""
    turn.put_talk(screen="alerts", about="", page=0, ussd_session="")
    note = Prompt("alert.waiting", {"count": len(rows)})
    prompt, shown = page(turn, SCREENS["alerts"], note, rows)
    turn.put_talk(choices=shown, shown_at=turn.now)
    return prompt
