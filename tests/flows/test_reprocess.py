"""The shipped graph: nothing wrong with it, and the order of the trade."""

from __future__ import annotations

import pytest

from bot.catalogues import load_catalogues
from flows.batch import METHODS
from flows.judge import JUDGES
from flows.release import AFTER, BEFORE, BY_METHOD, ORDER, VINEGAR
from flows.reprocess import REPROCESS
from flows.stage import RELEASE, SPECIAL, Option, Stage, check

STAGES = REPROCESS.stages


def test_nothing_is_wrong_with_the_shipped_graph() -> None:
    assert check(REPROCESS, ORDER, set(load_catalogues()["en"])) == []


def walk(method: str, choices: dict[str, str] | None = None) -> list[Stage]:
    """The stages of a batch in which every answer but those of *choices* is "all is well"."""
    path, at = [], REPROCESS.start
    while True:
        stage = STAGES[at]
        path.append(stage)
        assert len(path) < 50, "goes in a circle"
        option = stage.options[(choices or {}).get(at, next(iter(stage.options)))]
        if option.to == RELEASE:
            return path
        at = REPROCESS.methods[method] if option.to == "@method" else option.to


def made(path: list[Stage]) -> list[str]:
    """The marks of the answers that go forward along *path*."""
    return [o.mark for stage in path if (o := next(iter(stage.options.values()))).mark]


@pytest.mark.parametrize("method", METHODS)
def test_a_batch_where_all_is_well_makes_every_mark_in_the_order_of_release(method: str) -> None:
    marks = made(walk(method))

    # A bag and a suction device are tested by two stages that make the same mark.
    marks.remove("tested")
    assert marks == [*BEFORE, *BY_METHOD[method], *AFTER]


def test_a_scaly_batch_is_rinsed_of_vinegar_before_anything_else() -> None:
    path = [s.id for s in walk("chlorine", {"scale": "2"})]

    at = path.index("vinegar_in")
    assert path[at : at + 4] == ["vinegar_in", "vinegar", "vinegar_rinse", "scale_gone"]
    assert path.index("method") > path.index("vinegar_rinse")
    assert path.index("soak") > path.index("vinegar_rinse")


def test_the_order_of_work_puts_washing_before_disinfection_and_drying_before_storage() -> None:
    """WHO 2014 Annex G and the Reference Manual, Appendix C: clean first, then disinfect, dry."""
    for method in METHODS:
        marks = made(walk(method))
        dry = "cooled" if method == "autoclave" else "dried"
        order = [marks.index(m) for m in ("apart", "washed", "exposed", dry, "counted", "stored")]
        assert order == sorted(order)


def test_the_rinse_after_chlorine_in_water_that_was_not_boiled_repeats_the_soak() -> None:
    option = STAGES["soak_rinse"].options["2"]

    assert option.mark == ""
    assert ORDER.index(option.again) <= ORDER.index("exposure_started")


@pytest.mark.parametrize("stage", [s for s in STAGES.values() if s.kind == "wait"])
def test_an_exposure_ends_well_by_answer_1_alone(stage: Stage) -> None:
    others = {digit: o for digit, o in stage.options.items() if digit != "1"}

    assert stage.options["1"].mark in ("exposed", "vinegar_out")
    assert others
    for option in others.values():
        assert option.mark == ""
        assert option.again in ("exposure_started", "vinegar_started")


@pytest.mark.parametrize("stage", [s for s in STAGES.values() if s.kind == "number"])
def test_every_judgement_of_a_number_leads_somewhere(stage: Stage) -> None:
    verdicts = {
        "count": {"ok", "fewer", "more"},
        "strength": {"ok", "weak", "strong", "harmful"},
        "load": {"ok"},
        "temperature": {"ok", "short"},
        "pressure": {"ok", "short"},
        "minutes": {"ok", "short"},
    }

    assert stage.judge in JUDGES
    assert set(stage.options) == verdicts[stage.judge]


def test_only_storing_leads_to_the_release_decision() -> None:
    leading = {s.id: o for s in STAGES.values() for o in s.options.values() if o.to == RELEASE}

    assert set(leading) == {"store"}
    assert all(o.mark == "stored" for o in leading.values())


def test_no_answer_to_a_side_question_establishes_anything() -> None:
    assert all(not o.mark for s in STAGES.values() if s.phase == "side" for o in s.options.values())


@pytest.mark.parametrize("stage", list(STAGES.values()))
def test_a_failed_step_makes_no_mark_unless_it_is_the_answer_that_goes_forward(
    stage: Stage,
) -> None:
    first, *rest = stage.options.values()
    made_elsewhere = {o.mark for o in rest if o.mark} - {first.mark}

    assert not made_elsewhere


def test_a_spare_that_was_not_disinfected_goes_through_the_whole_work_again() -> None:
    assert STAGES["missing"].options["3"].again == "washed"
    assert STAGES["damaged"].options["2"].again == "washed"


def test_what_a_supervisor_is_told_of() -> None:
    told = {o.tell for s in STAGES.values() for o in s.options.values() if o.tell}

    assert told == {
        "shortened", "refused", "given_up", "missing", "damaged", "supplies", "no_method", "test",
        "cycle", "indicator", "indicator_none",
    }  # fmt: skip


def test_ids_keys_and_methods_agree() -> None:
    assert all(key == stage.id for key, stage in STAGES.items())
    assert set(REPROCESS.methods) == set(METHODS)
    assert {s.method for s in STAGES.values()} == {"", *METHODS}
    assert set(VINEGAR) <= set(ORDER)
    assert all(
        isinstance(o, Option) and (o.to in STAGES or o.to in SPECIAL)
        for s in STAGES.values()
        for o in s.options.values()
    )


@pytest.mark.parametrize("page", REPROCESS.pages, ids=lambda p: f"{p.pace}-{p.id}")
def test_a_page_is_a_piece_of_the_path_where_all_is_well(page: object) -> None:
    stages = list(page.stages)  # type: ignore[attr-defined]

    for method in METHODS:
        path = [s.id for s in walk(method)]
        if stages[0] in path:
            at = path.index(stages[0])
            assert path[at : at + len(stages)] == stages
            break
    else:
        pytest.fail("no method comes by this page")
