"""The stage graph as a picture: Mermaid text, made from the same data that the machine runs on."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from flows.stage import EARLIEST, MENU, RETURN, Flow, Stage, targets

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
