"""The stage graph and the supervisor's screens as pictures: Mermaid text, made from the same data
that the machine runs on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from flows.stage import EARLIEST, MENU, RETURN, Flow, Stage, targets
from flows.supervision import BACK, MAIN, MORE, Screen

SHAPES = {
    "confirm": ("[", "]"),
    "choice": ("{{", "}}"),
    "number": ("[/", "/]"),
    "pick": ("{{", "}}"),
    "wait": ("([", "])"),
}
ENDS = {"@release": "RELEASE DECISION", "@aside": "SET ASIDE", "@cancel": "CANCELLED"}


def mermaid(flow: Flow, title: Callable[[str], str]) -> str:
    """The graph as a Mermaid flowchart. *title* gives the name a person reads for a stage."""
    lines = ["flowchart TD"]
    for stage in flow.stages.values():
        before, after = SHAPES[stage.kind]
        name = title(stage.id)
        mark = " !" if any(o.mark for o in stage.options.values()) else ""
        lines.append(f'  {stage.id}{before}"{name}{mark}"{after}')
    lines += [f'  {end.strip("@")}_end(("{name}"))' for end, name in ENDS.items()]
    for stage in flow.stages.values():
        lines += [f"  {line}" for line in _arrows(flow, stage)]
    return "\n".join(lines) + "\n"


def _arrows(flow: Flow, stage: Stage) -> Iterator[str]:
    for digit, to in targets(flow, stage):
        style = "-.->" if digit == "8" else "-->"
        yield f'{stage.id} {style}|"{digit}"| {to}'
    for digit, option in stage.options.items():
        if option.to in ENDS:
            yield f'{stage.id} -->|"{digit}"| {option.to.strip("@")}_end'
        elif option.to == "@method":
            for method, first in flow.methods.items():
                yield f'{stage.id} -->|"{method}"| {first}'
        elif option.to == EARLIEST:
            yield f'{stage.id} -->|"{digit}: first step that lacks"| {stage.id}_redo((" "))'
        elif option.to in (RETURN, MENU):
            yield f'{stage.id} -->|"{digit}: back"| {stage.id}_back((" "))'


def mermaid_screens(screens: Mapping[str, Screen]) -> str:
    """The supervisor's screens as a Mermaid flowchart: a list is slanted, a deed at its arrow."""
    lines = ["flowchart TD"]
    for screen in screens.values():
        shape = SHAPES["number" if screen.rows else "pick" if screen.word else "confirm"]
        lines.append(f'  {screen.id}{shape[0]}"{screen.id}"{shape[1]}')
    for screen in screens.values():
        lines += [f"  {line}" for line in _screen_arrows(screen)]
    return "\n".join(lines) + "\n"


def _screen_arrows(screen: Screen) -> Iterator[str]:
    for digit, choice in screen.choices.items():
        does = " ".join(filter(None, (digit, choice.deed, choice.says)))
        yield f'{screen.id} -->|"{does}"| {choice.to}'
    if screen.pick:
        yield f'{screen.id} -->|"a row"| {screen.pick.to}'
    if screen.word:
        yield f'{screen.id} -->|"words: {screen.word.deed}"| {screen.word.to}'
    if screen.rows:
        yield f'{screen.id} -->|"{MORE} more"| {screen.id}'
    if screen.id != MAIN:
        yield f'{screen.id} -.->|"{BACK}"| {screen.back}'
