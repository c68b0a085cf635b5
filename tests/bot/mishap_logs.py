"""Batches in which something goes wrong, each through the real machine: what their logs say."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime

from flows.batch import Batch, Method
from tests.nurse import BELA, PLACE, SUCTION, Ward, play

NOW = datetime(2026, 4, 10, 8, 0, tzinfo=UTC)


def _ward() -> Ward:
    return Ward(now=NOW)


def _says_at(stage: str, *texts: str, method: Method = "chlorine") -> Callable[[], Ward]:
    """All goes well until *stage*, where she says *texts* first."""

    def made() -> Ward:
        ward = play(_ward(), method=method, until=stage)
        ward.says(*texts)
        return play(ward, method=method) if ward.unit.batches else ward

    return made


def _in_time(ward: Ward) -> Ward:
    ward.passes(minutes=1)
    return ward


def _in_the_soak(*texts: str) -> Callable[[], Ward]:
    """She says *texts* a minute after the pieces went in, and goes on as is right."""

    def made() -> Ward:
        ward = _in_time(play(_ward(), until="soak"))
        ward.says(*texts)
        return play(ward) if ward.unit.batches else ward

    return made


def _in_vinegar(*texts: str) -> Callable[[], Ward]:
    def made() -> Ward:
        ward = play(_ward(), until="scale")
        ward.says("2", "1")
        _in_time(ward).says(*texts)
        return play(ward)

    return made


def _answers(method: Method = "chlorine", **other: str) -> Callable[[], Ward]:
    """All goes well but for the answers to these stages, once each."""
    return lambda: play(_ward(), method=method, answers=other)


def _no_method() -> Ward:
    """Boiling is all that the place has, and the set stands chlorine alone."""
    only = replace(SUCTION, methods=("chlorine",))
    ward = Ward(replace(PLACE, methods=("boiling",), sets=(only,)), now=NOW)
    play(ward, "SUC-1")
    ward.says("1", "1")
    return ward


def _refused_release() -> Ward:
    """A set has one piece more than were counted, as if its log had been changed; given up."""
    ward = play(_ward(), until="store")
    batch = ward.batch
    more = tuple(replace(s, pieces=s.pieces + 1) for s in batch.sets)
    ward.unit = ward.unit.put_batch(replace(batch, sets=more))
    ward.says("1")
    ward.says("2", "1")
    return ward


def _called_back() -> Ward:
    """Two batches in one load: the indicator of the first did not change, and it is given up."""
    ward = play(_ward(), "BAG-1", "autoclave", until="auto")
    play(ward, "SUC-1", "autoclave", until="count", phone=BELA)
    play(ward, "BAG-1", "autoclave", until="auto_indicator")
    ward.says("2")
    ward.says("SUC-1", phone=BELA)
    return play(ward, "SUC-1", "autoclave", phone=BELA)


PLAYS: Mapping[str, Callable[[], Ward]] = {
    "well": _answers(),
    "early": _in_the_soak("1"),
    "twice early": _in_the_soak("1", "1"),
    "broken off": _in_the_soak("3"),
    "opened": _in_the_soak("2"),
    "broken off and taken back": _in_the_soak("3", "0", "0"),
    "in, taken back": _in_the_soak("0"),
    "vinegar early": _in_vinegar("1"),
    "vinegar broken off": _in_vinegar("2"),
    "test failed": _answers(test_bag="2"),
    "test given up": _answers(test_bag="3", test_failed="3"),
    "test taken back": _says_at("test_bag", "2", "0"),
    "short of a piece": _answers(count="6", missing="4"),
    "a spare": _answers(count="6", missing="2"),
    "damaged": _answers(inspect="3", damaged="3"),
    "dirty": _answers(inspect="2"),
    "refused": _says_at("rinse", "8", "6", "2", "1"),
    "used up": _answers(solution_age="3", supply_method="3"),
    "weak cycle": _answers("autoclave", auto_temp="110"),
    "indicator": _answers("autoclave", auto_indicator="2"),
    "no indicator": _answers("autoclave", auto_indicator="3"),
    "indicator taken back": _says_at("auto_indicator", "2", "0", method="autoclave"),
    "wet": _answers("autoclave", auto_cooled="2"),
    "wet when inspected": _answers("autoclave", inspect="4"),
    "called back": _called_back,
    "begun by mistake": _says_at("protect", "0", "2"),
    "broken off, begun by mistake": _in_the_soak("3", *["0"] * 14, "2"),
    "no method": _no_method,
    "release refused": _refused_release,
    "under way": lambda: play(_ward(), until="rinse"),
}


def batches(name: str) -> dict[str, Batch]:
    """The newest state of each batch of a play, by its own id."""
    ward = PLAYS[name]()
    return {p.batch.id: p.batch for p in ward.pushes}
