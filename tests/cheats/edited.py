"""Stage graphs as a careless or a cunning administrator would edit them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from flows.reprocess import REPROCESS
from flows.stage import METHOD, Flow, Option, Stage

# Where the way on from the choice of a method leads, when it is known which method that will be.
CHOSEN = {"method": "soak_dry"}


def past(stage_id: str, flow: Flow = REPROCESS) -> Flow:
    """The graph in which nothing leads to *stage_id*: the stage before leads past it."""
    onward = CHOSEN.get(stage_id, flow.stages[stage_id].forward.to)

    def led(option: Option) -> Option:
        if option.to == METHOD and stage_id in flow.methods.values():
            return option  # the methods' own table is edited below
        return replace(option, to=onward) if option.to == stage_id else option

    stages = {
        s.id: replace(s, options={k: led(o) for k, o in s.options.items()})
        for s in flow.stages.values()
    }
    methods = {m: onward if first == stage_id else first for m, first in flow.methods.items()}
    start = onward if flow.start == stage_id else flow.start
    return replace(flow, stages=stages, methods=methods, start=start, pages=())


def edited(stages: Mapping[str, Stage], flow: Flow = REPROCESS) -> Flow:
    """The graph with some of its stages replaced."""
    return replace(flow, stages={**flow.stages, **stages}, pages=())


def rewired(stage_id: str, digit: str, option: Option, flow: Flow = REPROCESS) -> Flow:
    """The graph with one answer of one stage replaced."""
    stage = flow.stages[stage_id]
    return edited({stage_id: replace(stage, options={**stage.options, digit: option})}, flow)


def always(method: str, flow: Flow = REPROCESS) -> Flow:
    """The graph in which whatever method is chosen, the stages of *method* follow."""
    return replace(flow, methods=dict.fromkeys(flow.methods, flow.methods[method]))
