"""The proof, on small scenes and on graphs that are wrong on purpose.

The whole of it, on the graph in service, is in test_proof.py: it takes minutes.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from bot.model import Pace
from bot.prove import Proof, Scene, prove_scene
from flows.reprocess import REPROCESS
from flows.stage import Flow, Option
from tests.cheats.edited import past, rewired
from tests.nurse import SUCTION, rules_of


def boiled(flow: Flow = REPROCESS, pace: Pace = "guided") -> Proof:
    """A suction device that may only be boiled: few states, and every kind of stage."""
    only = replace(SUCTION, methods=("boiling",))
    return prove_scene(rules_of(flow), Scene("suction, boiled", (only,), pace))


@pytest.mark.parametrize("pace", ["guided", "brief"])
def test_the_graph_in_service_holds(pace: Pace) -> None:
    proof = boiled(pace=pace)

    assert proof.faults == []
    assert proof.holds
    assert proof.released > 0
    assert proof.states > 500


def test_with_a_graph_that_skips_a_stage_release_is_refused_and_nothing_false_is_ready() -> None:
    proof = boiled(past("assemble"))

    assert proof.refused > 0
    assert not [fault for fault in proof.faults if "READY although" in fault]
    assert not [fault for fault in proof.faults if "READY without" in fault]


def test_a_graph_that_leads_to_a_stage_that_is_not_there_is_reported() -> None:
    proof = boiled(rewired("rinse", "1", Option("nowhere", mark="rinsed")))

    assert not proof.holds
    assert any("raised KeyError: 'nowhere'" in fault for fault in proof.faults)


def test_a_graph_in_which_nobody_makes_a_mark_is_reported() -> None:
    proof = boiled(rewired("rinse", "1", Option("scale")))

    assert not proof.holds
    assert any("'rinsed'" in fault for fault in proof.faults)


def test_a_graph_that_goes_round_in_circles_is_reported() -> None:
    """Storing leads to storing: there are ways out, but none to READY."""
    store = REPROCESS.stages["store"]
    circle = {d: replace(o, to="store") if o.mark else o for d, o in store.options.items()}
    flow = replace(
        REPROCESS, stages={**REPROCESS.stages, "store": replace(store, options=circle)}, pages=()
    )

    proof = boiled(flow)

    assert [fault.rpartition("; after")[0] for fault in proof.faults] == [
        "suction, boiled: no way to READY"
    ]


def test_the_report_counts_what_was_explored() -> None:
    proof = Proof(scenes={"a": 2, "b": 3}, steps=7, released=1, faults=["a: wrong"])

    assert proof.as_dict()["states"] == 5
    assert proof.as_dict()["holds"] is False
    assert "a: 2 states" in proof.as_text()
    assert proof.as_text().endswith("a: wrong")
