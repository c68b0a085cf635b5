"""The whole proof on the graph in service: every scene, every answer, at every moment.

It takes minutes and has a file of its own so that it can run beside the others.
"""

from __future__ import annotations

from bot.prove import prove, scenes
from tests.nurse import rules_of


def test_no_answer_no_bell_and_no_restart_leads_to_a_false_ready_or_a_dead_end() -> None:
    proof = prove(rules_of())

    assert proof.faults == []
    assert set(proof.scenes) == {s.name for s in scenes()}
    assert proof.released > 0
    assert all(count > 100 for count in proof.scenes.values())
