"""What `check` finds wrong with a stage graph: each kind of fault on a small graph made for it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from flows.stage import (
    ASIDE,
    CANCEL,
    EARLIEST,
    MENU,
    METHOD,
    NO_METHOD,
    NOT_READY,
    RELEASE,
    RETURN,
    UNDO,
    Flow,
    Option,
    Page,
    Reading,
    Stage,
    check,
    targets,
)

MARKS = ("washed", "method", "exposed", "counted", "stored")


def small() -> Flow:
    """A graph of ten stages with one of every kind in which nothing is wrong."""
    stages = (
        Stage("wash", "confirm", {"1": Option("choose", mark="washed")}, by_kind=True),
        Stage("choose", "pick", {"1": Option(METHOD, mark="method")}, source="methods"),
        Stage(
            "soak",
            "wait",
            {"1": Option("count", mark="exposed"), "2": Option("soak", again="exposed")},
            method="chlorine",
            exposure="chlorine",
        ),
        Stage(
            "count",
            "number",
            {"ok": Option("store", mark="counted"), "fewer": Option(EARLIEST, again="washed")},
            reading=Reading("count", 0, 60, "count"),
            judge="count",
        ),
        Stage("store", "confirm", {"1": Option(RELEASE, mark="stored")}),
        Stage("trouble", "choice", {"1": Option(RETURN), "2": Option(MENU)}, phase="side"),
        Stage(NO_METHOD, "choice", {"1": Option("aside")}, phase="side"),
        Stage(NOT_READY, "choice", {"1": Option(EARLIEST), "2": Option("aside")}, phase="side"),
        Stage(UNDO, "choice", {"1": Option(RETURN), "2": Option(CANCEL)}, phase="side"),
        Stage("aside", "pick", {"1": Option(ASIDE)}, phase="side", source="remaining"),
    )
    return Flow(
        name="small",
        version="1",
        start="wash",
        stages={s.id: s for s in stages},
        trouble={"clean": "trouble"},
        methods={"chlorine": "soak"},
        pages=(Page("all", "brief", ("wash", "choose")),),
    )


def prompts(flow: Flow) -> set[str]:
    """Every text that *flow* needs."""
    keys = {key for stage in flow.stages.values() for key in stage.prompts}
    return keys | {f"page.{page.id}" for page in flow.pages}


def put(flow: Flow, *stages: Stage) -> Flow:
    return replace(flow, stages={**flow.stages, **{s.id: s for s in stages}})


def found(flow: Flow) -> list[str]:
    return check(flow, MARKS, prompts(flow))


def test_a_good_graph_has_no_fault() -> None:
    assert found(small()) == []


@pytest.mark.parametrize("digit", ["1", "2"])
def test_an_answer_that_leads_to_no_stage(digit: str) -> None:
    flow = small()
    options = {**flow.stages["trouble"].options, digit: Option("nowhere")}

    faults = found(put(flow, replace(flow.stages["trouble"], options=options)))

    assert f"trouble: {digit} leads to nowhere, which is not a stage" in faults


def test_a_problem_key_that_leads_to_no_stage() -> None:
    faults = found(replace(small(), trouble={"clean": "panic"}))

    assert "wash: 8 leads to panic, which is not a stage" in faults
    assert "trouble: lost, nothing leads to it" in faults


def test_a_stage_without_any_answer_is_a_dead_end() -> None:
    faults = found(put(small(), Stage("store", "confirm", {})))

    assert "store: a dead end, no answer leads on" in faults


def test_a_stage_that_nothing_leads_to_is_lost() -> None:
    faults = found(put(small(), Stage("polish", "confirm", {"1": Option("count")})))

    assert faults == ["polish: lost, nothing leads to it"]


def test_a_circle_that_never_ends_is_a_dead_end() -> None:
    flow = replace(small(), trouble={})
    round_and_round = (
        Stage("wash", "choice", {"1": Option("choose", mark="washed"), "2": Option("turn")}),
        Stage("turn", "confirm", {"1": Option("twist")}),
        Stage("twist", "confirm", {"1": Option("turn")}),
    )

    faults = found(put(flow, *round_and_round))

    assert "turn: a dead end, no way to an end of the batch" in faults
    assert "twist: a dead end, no way to an end of the batch" in faults


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"start": "begin"}, "start: begin"),
        ({"methods": {"chlorine": "dip"}}, "methods: dip"),
        ({"pages": (Page("all", "brief", ("wash", "shine")),)}, "page all: shine"),
    ],
)
def test_a_name_that_is_no_stage(change: dict[str, object], where: str) -> None:
    assert f"{where} is not a stage" in found(replace(small(), **change))  # type: ignore[arg-type]


@pytest.mark.parametrize("name", [NO_METHOD, NOT_READY, UNDO])
def test_the_stages_that_the_machine_itself_turns_to_must_be_there(name: str) -> None:
    flow = small()
    without = {k: s for k, s in flow.stages.items() if k != name}

    assert f"the machine: {name} is not a stage" in found(replace(flow, stages=without))


@pytest.mark.parametrize("key", sorted(prompts(small())))
def test_each_missing_text_is_named(key: str) -> None:
    flow = small()

    faults = check(flow, MARKS, prompts(flow) - {key})

    assert len(faults) == 1
    assert "prompt" in faults[0]
    assert key.removeprefix("page.") in faults[0]


def test_a_wait_needs_a_text_for_its_start_and_for_its_bell_and_no_question() -> None:
    assert set(small().stages["soak"].prompts) == {
        "soak.title",
        "soak.help",
        "soak.started",
        "soak.bell",
    }


def test_a_stage_that_is_worded_by_kind_needs_a_text_for_each() -> None:
    assert {"wash.ask.bag", "wash.ask.suction", "wash.ask.both"} < set(
        small().stages["wash"].prompts
    )


def _faulty(stage: str, **change: object) -> list[str]:
    flow = small()
    return found(put(flow, replace(flow.stages[stage], **change)))  # type: ignore[arg-type]


def test_a_wait_without_exposure_would_never_ring() -> None:
    assert _faulty("soak", exposure="") == ["soak: waits, but has no exposure and would never ring"]


def test_an_exposure_without_a_wait_has_no_bell() -> None:
    assert _faulty("store", exposure="boiling") == [
        "store: has an exposure but does not wait for its bell"
    ]


@pytest.mark.parametrize("change", [{"judge": ""}, {"reading": None}])
def test_a_number_that_nobody_reads_or_judges(change: dict[str, object]) -> None:
    assert _faulty("count", **change) == [
        "count: asks a number but says not which, or who judges it"
    ]


def test_a_list_of_nothing() -> None:
    assert _faulty("aside", source="") == ["aside: offers a list but says not which"]


def test_the_answer_1_goes_forward_everywhere() -> None:
    assert _faulty("store", options={"2": Option(RELEASE, mark="stored")}) == [
        "store: answer 1 does not go forward"
    ]


@pytest.mark.parametrize("digit", ["0", "8", "9"])
def test_back_problem_and_help_are_no_options(digit: str) -> None:
    options = {"1": Option(RELEASE, mark="stored"), digit: Option(EARLIEST)}

    assert _faulty("store", options=options) == [
        "store: 0, 8 and 9 mean back, problem and help everywhere"
    ]


def test_a_mark_that_release_asks_for_and_no_stage_makes() -> None:
    flow = small()

    faults = check(flow, (*MARKS, "inspected"), prompts(flow))

    assert faults == ["mark inspected: release asks for it and no stage makes it"]


@pytest.mark.parametrize(
    "option", [Option(RELEASE, mark="polished"), Option(RELEASE, mark="stored", again="polished")]
)
def test_a_mark_that_release_does_not_know(option: Option) -> None:
    faults = _faulty("store", options={"1": option})

    assert "mark polished: unknown to release" in faults


# ---- what else a graph tells -----------------------------------------------------------------


def test_the_problem_key_is_a_target_of_its_phase_only() -> None:
    flow = small()

    assert list(targets(flow, flow.stages["wash"])) == [("1", "choose"), ("8", "trouble")]
    assert list(targets(flow, flow.stages["trouble"])) == []


def test_brief_readers_also_get_the_guided_pages_and_guided_ones_only_theirs() -> None:
    guided = Page("counts", "guided", ("count",))
    flow = replace(small(), pages=(*small().pages, guided))

    assert flow.page("brief", "wash") == flow.pages[0]
    assert flow.page("guided", "wash") is None
    assert flow.page("brief", "count") == guided
    assert flow.page("guided", "count") == guided


def test_maker_looks_among_the_stages_of_the_method_only() -> None:
    flow = put(
        small(),
        Stage("boil", "wait", {"1": Option("count", mark="exposed")}, method="boiling"),
    )

    assert flow.maker("exposed", "chlorine") == "soak"
    assert flow.maker("exposed", "boiling") == "boil"
    with pytest.raises(KeyError):
        flow.maker("exposed", "autoclave")
