"""The conversation about alerts: interprets `flows.supervision`, for a supervisor on its own, for
those at a facility over whatever they are at. No batch is read or moved here.

A supervisor's words go, in this order: danger, code of an alert, silence, command words, the
alert that she was told of last, the screen she is at, a facility's id.
"""

from __future__ import annotations

from datetime import timedelta

from bot import dangers
from bot.alert import Alert
from bot.answers import finish, give, quiet
from bot.asking import framed
from bot.counts_asked import ask_counts
from bot.effects import Prompt
from bot.overview import ROWS, alerts, ended, find, told_at, waits_for
from bot.paging import more, nothing
from bot.replies import coded, is_word, parted
from bot.showing import show
from bot.turn import Turn
from flows.supervision import BACK, HELP, MAIN, MORE, SCREENS, SHARED, WORDS, Choice

# A text is written while another arrives; so soon after an alert ended, or after a screen was
# shown, a digit may be meant for either.
JUST_NOW = timedelta(minutes=10)
READ = timedelta(minutes=1)  # as long as it takes at least to read an alert and answer it
MIDWAY = set(SCREENS) - {MAIN, "answered"}  # screens whose digits she may still be about to send


def understand(turn: Turn, text: str) -> None:
    """What a supervisor wrote."""
    if _of_danger(turn, text) or by_code(turn, text) or by_quiet(turn, text):
        return
    language = turn.person.language if turn.person else "en"
    word = turn.rules.command(language, text)
    if word in WORDS:
        go(turn, WORDS[word])
    elif _by_digit(turn, text):
        pass
    elif text == BACK:
        back(turn)
    elif text == HELP:
        explain(turn)
    elif text == MORE and turn.talk.screen in SCREENS and SCREENS[turn.talk.screen].rows:
        if not more(turn):
            show(turn, Prompt("note.all"))
    elif not (answer_overlaid(turn, text) or _place(turn, text)):
        _unclear(turn)


def _of_danger(turn: Turn, text: str) -> bool:
    """Somebody is hurt: as everywhere."""
    language = turn.person.language if turn.person else "en"
    word = turn.rules.command(language, text)
    if word in dangers.COMMANDS:
        return dangers.COMMANDS[word](turn)
    if turn.talk.screen not in dangers.ANSWERS or text == BACK:
        return False
    if not dangers.ANSWERS[turn.talk.screen](turn, text):
        show(turn, Prompt("note.unclear"))
    return True


def _place(turn: Turn, text: str) -> bool:
    """The id of a facility, as a word."""
    facility = text.strip(" .!").upper()
    if facility not in turn.unit.board:
        return False
    go(turn, "facility", facility)
    return True


def _unclear(turn: Turn) -> None:
    """A first word at the main screen is a greeting, not a mistake."""
    greeted = turn.talk.screen not in SCREENS or (turn.talk.screen == MAIN and not turn.talk.tries)
    turn.put_talk(tries=turn.talk.tries + 1)
    show(turn, None if greeted else Prompt("note.unclear"))


# ---- screens -------------------------------------------------------------------------------------


def go(turn: Turn, screen: str, about: str = "", note: Prompt | None = None) -> None:
    """Show *screen* with a *note*; an empty list says so and stays."""
    rows = SCREENS[screen].rows
    before = turn.talk
    turn.put_talk(screen=screen, about=about, page=0, choices=(), practice=False, tries=0)
    if rows and not ROWS[rows](turn):
        kept = before.screen if before.screen not in SCREENS or before.screen == MAIN else MAIN
        if not turn.unit.site.watches:
            kept = "" if turn.batch() else "home"
        turn.put_talk(screen=kept, about="")
        show(turn, nothing(SCREENS[screen]))
        return
    if SCREENS[screen].asks:
        ask_counts(turn)
    show(turn, note)


def back(turn: Turn) -> None:
    """0: to the screen before, in the end to the main one."""
    screen = SCREENS.get(turn.talk.screen)
    to = screen.back if screen else MAIN
    go(turn, to, turn.talk.about if to == "alert" else "")


def explain(turn: Turn) -> None:
    """9: what can be sent here."""
    answering = turn.talk.screen.startswith("alert") or not turn.unit.site.watches
    turn.reply(framed(Prompt("help.alert" if answering else "help.above"), "foot.screen"))


def resume(turn: Turn) -> None:
    """A new session begins where she stood, unless that is long ago."""
    shown = turn.talk.shown_at
    if turn.talk.screen in SCREENS and (shown is None or turn.now - shown > JUST_NOW):
        turn.put_talk(screen=MAIN, about="", page=0, choices=(), tries=0)


def answer_overlaid(turn: Turn, text: str) -> bool:
    """What a digit or words do on the screen that is shown; False where they mean nothing."""
    screen = SCREENS.get(turn.talk.screen)
    if screen is None:
        return False
    digit, words = parted(text)
    if screen.pick and digit and not words:
        return _picked(turn, screen.pick, int(digit))
    choice = screen.choices.get(digit)
    if choice:
        asked = SCREENS[choice.to].word
        return _do(turn, asked if asked and is_word(words) else choice, words)
    if screen.word and is_word(text):
        return _do(turn, screen.word, text)
    return False


def _picked(turn: Turn, pick: Choice, n: int) -> bool:
    if not 1 <= n <= len(turn.talk.choices):
        return False
    go(turn, pick.to, turn.talk.choices[n - 1])
    return True


def _do(turn: Turn, choice: Choice, words: str) -> bool:
    if not choice.deed:
        keep = choice.to in ("alert", "alert_why", "alert_ask")
        go(turn, choice.to, turn.talk.about if keep else "")
        return True
    if choice.deed == "quiet":
        return quiet(turn, choice.says)
    alert = find(turn, turn.talk.about)
    if alert is None:  # it ended while she wrote
        show(turn)
        return True
    give(turn, alert, choice.deed, words)
    return True


def asked_for(turn: Turn, text: str) -> bool:
    """Several words where words are asked for: they are the answer, whatever the first one means
    elsewhere ("new bag"), but for danger, an alert's code and names of sets."""
    screen = SCREENS.get(turn.talk.screen)
    several = len(text.split()) > 1 and is_word(text)
    if screen is None or screen.word is None or not several or _only_sets(turn, text):
        return False
    language = turn.person.language if turn.person else "en"
    found = coded(text)
    if turn.rules.command(language, text) in dangers.COMMANDS or (found and find(turn, found[0])):
        return False
    return answer_overlaid(turn, text)


# ---- in one reply --------------------------------------------------------------------------------


def by_code(turn: Turn, text: str) -> bool:
    """An answer with the alert's code: "LOWF-12 2", "LOWF-12 3 fetched a bag", "LOWF-12"."""
    found = coded(text)
    if found is None or _only_sets(turn, text):
        return False
    code, rest = found
    alert = find(turn, code)
    if alert:
        _answer(turn, alert, rest)
        return True
    closed = next((e for e in ended(turn) if e.id.upper() == code.upper()), None)
    place = code.rpartition("-")[0].upper()
    if closed is None and place not in {turn.unit.site.id.upper(), *turn.unit.board}:
        return False
    known = {"code": closed.id if closed else code.upper()}
    finish(turn, Prompt("note.closed" if closed else "note.no_alert", known))
    return True


def _only_sets(turn: Turn, text: str) -> bool:
    """Whether *text* is nothing but names of sets here: some look like the code of an alert."""
    words = text.upper().replace("+", " ").replace(",", " ").split()
    return set(words) <= {card.id for card in turn.unit.site.sets}


def _answer(turn: Turn, alert: Alert, rest: str) -> None:
    """What follows the code, or a digit alone where it is clear which alert is meant."""
    digit, words = parted(rest)
    choice = SCREENS["alert"].choices.get(digit)
    if choice:
        turn.put_talk(about=alert.id)
        asked = SCREENS[choice.to].word
        _do(turn, asked if asked and is_word(words) else choice, words)
    elif is_word(rest) and not turn.unit.site.watches:
        give(turn, alert, "replied", rest)
    else:
        go(turn, "alert", alert.id)


def _by_digit(turn: Turn, text: str) -> bool:
    """A bare digit, or one with words, after the text of an alert: no screen came in between.

    It is an answer only where one alert waits for hers and it can be meant for no other; else the
    alert, or the list, is shown and the next digit says which.
    """
    digit, words = parted(text)
    if turn.via != "sms" or digit not in SCREENS["alert"].choices or turn.person is None:
        return False
    waiting = [a for a in alerts(turn) if waits_for(a, turn.person.id)]
    shown = turn.talk.shown_at
    fresh = [a for a in waiting if shown is None or told_at(a, turn.person.id) > shown]
    if not fresh and not (is_word(words) and waiting and turn.talk.screen not in MIDWAY):
        return False
    if len(waiting) == 1 and _meant(turn, waiting[0], turn.person.id):
        _answer(turn, waiting[0], text)
    elif len(waiting) == 1:
        go(turn, "alert", waiting[0].id, Prompt("note.this_one"))
    else:
        go(turn, "alerts", note=Prompt("note.which_one"))
    return True


def _meant(turn: Turn, alert: Alert, me: str) -> bool:
    """Whether a digit can be meant for no other alert and for no screen."""
    told, shown = told_at(alert, me), turn.talk.shown_at
    sent = turn.sent_at if turn.sent_at and turn.sent_at <= turn.now else None
    read = told <= sent if sent else turn.now - told >= READ
    midway = turn.talk.screen in MIDWAY and shown is not None and told - shown < JUST_NOW
    other = any(me in e.told and turn.now - e.at < JUST_NOW for e in ended(turn))
    return read and not midway and not other


def by_quiet(turn: Turn, text: str) -> bool:
    """QUIET with how long: "QUIET 3H", "QUIET OFF"; anything else asks how long."""
    first, _, rest = text.strip().partition(" ")
    language = turn.person.language if turn.person else "en"
    if not rest.strip() or turn.rules.command(language, first) != "quiet":
        return False
    if not may_be_quiet(turn):
        return ask_quiet(turn)
    if not quiet(turn, rest.strip(" .!")):
        go(turn, "silence")
    return True


# ---- at a facility -------------------------------------------------------------------------------


def may_be_quiet(turn: Turn) -> bool:
    """Whose silence loses nothing: whoever is told because she is in charge of others' work."""
    return turn.person is not None and turn.person.role != "nurse"


def ask_quiet(turn: Turn) -> bool:
    """The command word QUIET: how long?"""
    if may_be_quiet(turn):
        go(turn, "silence")
    else:
        show(turn, Prompt("none.quiet"))
    return True


def list_alerts(turn: Turn) -> bool:
    """The command word ALERTS."""
    go(turn, "alerts")
    return True


COMMANDS = {"alerts": list_alerts, "quiet": ask_quiet}
ANSWERS = dict.fromkeys(SHARED, answer_overlaid)
