"""Every way to a false READY that we could think of, through the conversation itself.

Each test tries to cheat, ends not READY, and asserts why. The tests of the log alone are beside
this file.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from bot.site import SetCard
from flows.batch import METHODS, Entry, Method
from flows.release import RANK, findings, marks
from flows.reprocess import REPROCESS
from flows.stage import RELEASE, Flow, Option, Stage
from tests.cheats.edited import edited, past, rewired
from tests.nurse import BELA, PLACE, PROTOCOL, SENA, Ward, play, rules_of

BOTH = "BAG-1 SUC-1"
METHOD_OF = {s.id: s.method for s in REPROCESS.stages.values()}
# Vinegar is not critical: without its soak the scale is still there, and the scale is asked about.
NOT_CRITICAL = {"vinegar_started", "vinegar_out"}
CRITICAL = [
    (stage.id, option.mark)
    for stage in REPROCESS.stages.values()
    for option in [next((o for o in stage.options.values() if o.mark), Option(""))]
    if option.mark and option.mark not in NOT_CRITICAL
]
# Past these the machine leads nobody, whatever the graph says: it asks for them by itself.
INSISTED = {"vinegar_rinse", "auto_cycle"}
WAITS = [(s.id, s.method) for s in REPROCESS.stages.values() if s.kind == "wait" and s.method]
WITH_VINEGAR = {"scale": "2"}


def edited_ward(flow: Flow) -> Ward:
    return Ward(rules=rules_of(flow))


def never_ready(ward: Ward) -> bool:
    """No set here is READY, and no record says that a batch was released."""
    told = [s.condition for p in ward.pushes for s in p.sets]
    return "READY" not in told and all(s.condition != "READY" for s in ward.unit.sets.values())


# ---- the graph --------------------------------------------------------------------------------


def test_every_mark_that_release_asks_for_is_tried() -> None:
    tried = {mark for _, mark in CRITICAL}

    assert tried == set(RANK) - NOT_CRITICAL


@pytest.mark.parametrize(("stage", "mark"), [pair for pair in CRITICAL if pair[0] not in INSISTED])
def test_a_graph_that_leads_past_a_critical_stage_makes_nothing_ready(
    stage: str, mark: str
) -> None:
    method = _method(METHOD_OF[stage] or "chlorine")
    answers = {"scale_gone": WITH_VINEGAR, "solution_remake": {"solution_age": "2"}}.get(stage)

    ward = play(edited_ward(past(stage)), BOTH, method, answers=answers)

    assert never_ready(ward)
    assert ward.stage == "not_ready"
    assert ward.against[0] == "missing"
    checked = next(e for e in ward.batch.log if e.kind == "checked")
    assert (checked.mark, checked.facts["first_mark"]) == ("refused", mark)


@pytest.mark.parametrize(
    ("stage", "answers"), [("vinegar_rinse", WITH_VINEGAR), ("auto_cycle", {})]
)
def test_a_graph_that_leads_past_a_stage_that_the_machine_itself_needs_is_asked_all_the_same(
    stage: str, answers: dict[str, str]
) -> None:
    method = _method(METHOD_OF[stage] or "chlorine")

    ward = play(edited_ward(past(stage)), BOTH, method, answers=answers, until=stage)

    assert never_ready(ward)
    assert ward.stage == stage


def _method(name: str) -> Method:
    return next(m for m in METHODS if m == name)


@pytest.mark.parametrize(("stage", "method"), WAITS)
def test_a_graph_that_asks_instead_of_waiting_makes_nothing_ready(stage: str, method: str) -> None:
    hurried = replace(REPROCESS.stages[stage], kind="confirm", exposure="")

    ward = play(edited_ward(edited({stage: hurried})), BOTH, _method(method))

    assert never_ready(ward)
    assert ward.against[0] == "too_short"


def test_a_graph_that_asks_for_release_at_once_makes_nothing_ready() -> None:
    ward = play(edited_ward(rewired("protect", "1", Option(RELEASE, mark="protected"))))

    assert never_ready(ward)
    assert set(ward.against) == {"missing"}


def test_a_graph_that_marks_the_method_without_choosing_one_makes_nothing_ready() -> None:
    """No method, so no exposure to ask for: that must not pass for a clean log."""
    unchosen = Stage("method", "confirm", {"1": Option("count", mark="method")})

    ward = play(edited_ward(edited({"method": unchosen})))

    assert never_ready(ward)
    assert ward.against == ["unknown_method"]


def test_a_graph_with_marks_in_another_order_makes_nothing_ready() -> None:
    """Rinsed first, washed after."""
    flow = edited(
        {
            "wash": replace(
                REPROCESS.stages["wash"], options={"1": Option("rinse", mark="rinsed")}
            ),
            "rinse": replace(
                REPROCESS.stages["rinse"], options={"1": Option("scale", mark="washed")}
            ),
        }
    )

    ward = play(edited_ward(flow))

    assert never_ready(ward)
    assert ward.against == ["out_of_order"]


def test_a_graph_in_which_a_method_is_followed_by_the_stages_of_another_makes_nothing_ready() -> (
    None
):
    flow = replace(REPROCESS, methods={**REPROCESS.methods, "autoclave": "boil_in"})

    ward = play(edited_ward(flow), method="autoclave")

    assert never_ready(ward)
    assert ward.against[0] == "missing"


def test_a_graph_that_takes_a_failed_count_for_a_good_one_makes_nothing_ready() -> None:
    flow = rewired("count", "fewer", Option("inspect", mark="counted"))

    ward = play(edited_ward(flow), answers={"count": "6"})

    assert never_ready(ward)
    assert ward.against == ["count_wrong"]


def test_a_graph_that_takes_weak_chlorine_for_good_makes_nothing_ready() -> None:
    flow = rewired("solution_strength", "weak", Option("soak_in", mark="solution_strength"))

    ward = play(edited_ward(flow), answers={"solution_strength": "0.1"})

    assert never_ready(ward)
    assert ward.against == ["solution_weak"]


@pytest.mark.parametrize(
    ("stage", "reading"), [("auto_temp", "120"), ("auto_pressure", "108"), ("auto_minutes", "29")]
)
def test_a_graph_that_takes_a_failed_cycle_for_a_good_one_makes_nothing_ready(
    stage: str, reading: str
) -> None:
    """At 500 m the gauge must show 103 + 3.4 x 500 / 300 = 108.7 kPa."""
    mark = REPROCESS.stages[stage].forward.mark
    onward = REPROCESS.stages[stage].forward.to
    flow = rewired(stage, "short", Option(onward, mark=mark))

    ward = play(edited_ward(flow), method="autoclave", answers={stage: reading})

    assert never_ready(ward)
    assert ward.against == ["cycle_short"]


# ---- exposures --------------------------------------------------------------------------------


WAIT_OF = {s.method: s.id for s in REPROCESS.stages.values() if s.kind == "wait"}
MINUTES = {"chlorine": 20, "boiling": 20, "steaming": 20, "autoclave": 30}


def soaking(method: Method = "chlorine", sets: str = "BAG-1") -> Ward:
    """A ward in which an exposure has begun this very moment."""
    ward = play(Ward(), sets, method, until=WAIT_OF[method])
    ward.says("0")
    ward.says("1")
    assert ward.stage == WAIT_OF[method]
    return ward


def marks_of(ward: Ward) -> list[str]:
    return [e.mark for e in ward.batch.log if e.kind == "answered"]


@pytest.mark.parametrize("method", METHODS)
def test_an_exposure_one_second_short_does_not_count(method: Method) -> None:
    ward = soaking(method)
    ward.passes(minutes=MINUTES[method], seconds=-1)

    ward.says("1")

    assert ward.stage == WAIT_OF[method]
    assert "exposed" not in marks_of(ward)
    assert (ward.batch.log[-1].kind, ward.batch.log[-1].mark) == ("refused", "early")


@pytest.mark.parametrize("method", METHODS)
def test_an_exposure_of_exactly_the_time_required_counts(method: Method) -> None:
    """The other side of the boundary: the test above must not pass because nothing counts."""
    ward = soaking(method)
    ward.passes(minutes=MINUTES[method])

    ward.says("1")

    assert marks_of(ward)[-1] == "exposed"


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("answer", ["2", "3"])
def test_an_interrupted_exposure_starts_again_from_nothing(method: Method, answer: str) -> None:
    """Topped up, boil stopped, lid opened (2), or taken out early (3)."""
    ward = soaking(method)
    ward.passes(minutes=MINUTES[method] - 1)

    ward.says(answer, "1")
    ward.passes(minutes=MINUTES[method], seconds=-1)
    ward.says("1")

    assert ward.stage == WAIT_OF[method]
    assert "exposed" not in marks_of(ward)


@pytest.mark.parametrize("answer", ["2", "3"])
def test_an_interruption_that_is_taken_back_still_counts_as_one(answer: str) -> None:
    """She opened it, said so, and went back: the pieces may have been out, so the time is lost."""
    ward = soaking()
    ward.passes(minutes=10)

    ward.says(answer, "0")
    back = ward.stage
    opened_at = ward.now
    ward.passes(minutes=11)
    play(ward, until="count")

    started = [e for e in ward.batch.log if e.mark == "exposure_started" and e.kind == "answered"]
    out = next(e for e in ward.batch.log if e.mark == "exposed")
    assert back == "soak_in"
    assert started[-1].at > opened_at
    assert (out.at - started[-1].at).total_seconds() >= 20 * 60


def test_a_start_that_is_corrected_during_the_exposure_starts_the_clock_again() -> None:
    ward = soaking()
    ward.passes(minutes=15)

    ward.says("0", "1")
    ward.passes(minutes=19, seconds=59)
    ward.says("1")

    assert ward.stage == "soak"
    assert "exposed" not in marks_of(ward)


def test_corrections_back_to_the_wash_and_forward_again_start_the_clock_again() -> None:
    ward = soaking()
    ward.passes(minutes=19)

    ward.says(*["0"] * 6)
    play(ward, until="soak")
    ward.says("1")

    assert ward.stage == "soak"
    assert (ward.batch.log[-1].kind, ward.batch.log[-1].mark) == ("refused", "early")


# ---- clocks -----------------------------------------------------------------------------------


@pytest.mark.parametrize("method", METHODS)
def test_a_clock_set_forward_during_an_exposure_does_not_shorten_it(method: Method) -> None:
    ward = soaking(method)
    ward.passes(minutes=5)

    ward.wall_jumps(hours=3)
    ward.says("1")
    early = ward.stage
    ward.passes(minutes=MINUTES[method] - 5, seconds=-1)
    ward.says("1")

    assert early == ward.stage == WAIT_OF[method]
    assert "exposed" not in marks_of(ward)


def test_a_clock_set_forward_does_not_ring_the_bell_early_and_the_bell_still_comes() -> None:
    ward = soaking()
    ward.wall_jumps(hours=3)

    ward.bells()
    early = [kind for _, kind, _ in ward.said if kind == "bell"]
    ward.passes(minutes=20)
    ward.bells()

    assert early == []
    assert [kind for _, kind, _ in ward.said if kind == "bell"] == ["bell"]


def test_a_clock_set_back_during_an_exposure_does_not_let_it_pass_early() -> None:
    ward = soaking()
    ward.passes(minutes=10)

    ward.wall_jumps(hours=-1)
    ward.passes(minutes=9)
    ward.says("1")

    assert ward.stage == "soak"
    assert "exposed" not in marks_of(ward)


def test_a_clock_set_back_after_an_exposure_puts_the_log_out_of_order() -> None:
    ward = play(Ward(), until="store")
    ward.wall_jumps(hours=-2)

    ward.says("1")

    assert never_ready(ward)
    assert ward.against == ["out_of_order"]


def test_a_restart_of_the_machine_leaves_the_wall_clock_as_the_only_witness() -> None:
    ward = soaking()
    ward.passes(minutes=10)
    ward.restarts(machine=True)
    ward.passes(minutes=9, seconds=59)

    ward.says("1")
    early = ward.stage
    ward.passes(seconds=1)
    ward.says("1")

    assert early == "soak"
    assert marks_of(ward)[-1] == "exposed"


# ---- vinegar and chlorine ---------------------------------------------------------------------


def test_pieces_that_still_smell_of_vinegar_go_nowhere_near_the_chlorine() -> None:
    ward = play(Ward(), answers=WITH_VINEGAR, until="vinegar_rinse")

    ward.says("2", "2", "2")

    assert ward.stage == "vinegar_rinse"


def test_a_vinegar_answer_taken_back_still_asks_for_the_rinse() -> None:
    """The pieces may have been wet with it, whatever is said afterwards."""
    ward = play(Ward(), answers=WITH_VINEGAR, until="vinegar")

    ward.says("0", "0")
    play(ward, until="vinegar_rinse")

    assert ward.stage == "vinegar_rinse"
    assert "method" not in marks_of(ward)


def test_a_rinse_taken_back_is_asked_for_again() -> None:
    ward = play(Ward(), answers=WITH_VINEGAR, until="scale_gone")

    ward.says(*["0"] * 4)
    play(ward, until="vinegar_rinse")

    assert ward.stage == "vinegar_rinse"
    assert "method" not in marks_of(ward)


@pytest.mark.parametrize("taken_back", [False, True])
def test_a_graph_without_the_rinse_after_vinegar_makes_nothing_ready(*, taken_back: bool) -> None:
    """Even with chlorine stages that the machine does not know for such."""
    flow = edited(
        {
            **{
                s.id: replace(s, phase="clean", source="" if s.source == "methods" else s.source)
                for s in REPROCESS.stages.values()
                if s.phase == "disinfect"
            },
            "vinegar": replace(
                REPROCESS.stages["vinegar"],
                options={"1": Option("scale_gone", mark="vinegar_out")},
            ),
        }
    )
    ward = edited_ward(flow)
    ward = play(ward, answers=WITH_VINEGAR, until="vinegar")
    if taken_back:
        ward.says("0", "0")

    play(ward, until="vinegar_rinse")

    assert never_ready(ward)
    assert "exposure_started" not in marks_of(ward)
    assert ward.stage == "vinegar_rinse"


def test_vinegar_after_the_soak_makes_the_soak_worthless() -> None:
    flow = rewired("soak_rinse", "1", Option("vinegar_in", mark="soak_rinsed"))
    flow = rewired("scale_gone", "1", Option("soak_cloth"), flow)

    ward = play(edited_ward(flow))

    assert never_ready(ward)
    assert ward.against[0] == "vinegar_not_rinsed"


# ---- methods ----------------------------------------------------------------------------------


def forbidden_ward(flow: Flow = REPROCESS) -> Ward:
    """A bag whose maker allows boiling only."""
    only = SetCard("BAG-1", "Bag model A", "bag", 7, ("boiling",))
    return Ward(site=replace(PLACE, sets=(only,)), rules=rules_of(flow))


def test_a_method_that_the_maker_forbids_is_not_even_offered() -> None:
    ward = play(forbidden_ward(), until="method")

    ward.says("2")

    assert "chlorine" not in ward.says("9")
    assert ward.stage == "method"
    ward.says("1")
    assert ward.batch.method == "boiling"


def chosen_without_asking(method: Method) -> Ward:
    """A batch in which *method* was written down, whoever forbids it, and carried out in full."""
    ward = play(forbidden_ward(), until="method")
    allowed = replace(ward.batch, sets=(replace(ward.batch.sets[0], methods=METHODS),))
    ward.unit = ward.unit.put_batch(allowed)
    play(ward, method=method, until="store")
    real = replace(ward.batch, sets=(replace(ward.batch.sets[0], methods=("boiling",)),))
    ward.unit = ward.unit.put_batch(real)
    ward.says("1")
    return ward


def test_a_set_in_a_method_that_its_maker_forbids_is_never_ready() -> None:
    ward = chosen_without_asking("chlorine")

    assert never_ready(ward)
    assert ward.against == ["method_not_allowed"]


def test_a_batch_in_a_method_that_the_facility_lacks_is_never_ready() -> None:
    ward = play(Ward(), until="store")
    ward.unit = ward.unit.put_batch(replace(ward.batch, facility_methods=("boiling",)))

    ward.says("1")

    assert never_ready(ward)
    assert ward.against == ["method_not_here"]


def test_a_batch_boiled_higher_than_the_protocol_allows_is_never_ready() -> None:
    ward = play(Ward(), method="boiling", until="store")
    ward.unit = ward.unit.put_batch(replace(ward.batch, altitude_m=5501))

    ward.says("1")

    assert never_ready(ward)
    assert ward.against == ["too_high"]


def test_two_methods_mixed_are_no_method() -> None:
    """Half in chlorine, then boiling: what was begun in chlorine does not count."""
    ward = soaking("chlorine")
    ward.passes(minutes=19)

    ward.says("8", "4", "1")
    play(ward, method="boiling", until="boil_dry")

    assert ward.batch.method == "boiling"
    started = [e for e in ward.batch.log if e.mark == "exposure_started" and e.kind == "answered"]
    out = next(e for e in ward.batch.log if e.mark == "exposed")
    assert (out.at - started[-1].at).total_seconds() >= 20 * 60


# ---- solution, counts, inspection, tests ------------------------------------------------------


def test_a_solution_called_fresh_the_day_before_is_old_when_the_soak_begins() -> None:
    ward = play(Ward(), until="solution_strength")
    ward.passes(hours=24, seconds=1)

    ward.says("0.5", "1")

    assert ward.stage == "solution_age"
    assert "exposure_started" not in {e.mark for e in effective_marks(ward)}


def effective_marks(ward: Ward) -> list[Entry]:
    return list(marks(ward.batch.log).values())


def test_an_old_or_weak_solution_leads_to_a_new_one() -> None:
    ward = play(Ward(), until="solution_age")

    ward.says("2")
    old = ward.stage
    ward.says("1", "0.49")

    assert old == ward.stage == "solution_remake"
    assert "solution_strength" not in marks_of(ward)


@pytest.mark.parametrize(("count", "stage"), [("6", "missing"), ("08", "mixed"), ("00", "missing")])
def test_a_wrong_count_goes_no_further(count: str, stage: str) -> None:
    ward = play(Ward(), until="count")

    ward.says(count)

    assert ward.stage == stage
    assert ("counted", "BAG-1") not in marks(ward.batch.log)


def test_a_piece_that_goes_missing_after_a_right_count_must_be_counted_again() -> None:
    ward = play(Ward(), until="assemble")

    ward.says("8", "2", "1")

    assert ward.stage == "count"


def test_a_spare_that_was_not_disinfected_sends_the_whole_batch_back_to_the_wash() -> None:
    ward = play(Ward(), until="assemble")

    ward.says("8", "2", "3")

    assert ward.stage == "wash"


@pytest.mark.parametrize(
    ("answer", "stage"), [("2", "wash"), ("3", "damaged"), ("4", "soak_cloth")]
)
def test_a_failed_inspection_leads_back_to_the_wash_a_spare_or_the_drying(
    answer: str, stage: str
) -> None:
    ward = play(Ward(), until="inspect")

    ward.says(answer)

    assert ward.stage == stage
    assert "inspected" not in marks_of(ward)


@pytest.mark.parametrize("answer", ["2", "3", "4", "5"])
def test_a_failed_function_test_leads_back_to_putting_together(answer: str) -> None:
    ward = play(Ward(), until="test_bag")

    ward.says(answer, "1")

    assert ward.stage == "assemble"
    assert "tested" not in marks_of(ward)


def test_the_test_of_one_of_two_sets_is_not_enough() -> None:
    flow = rewired("test_bag", "1", Option("store", mark="tested"))

    ward = play(edited_ward(flow), BOTH)

    assert never_ready(ward)
    checked = next(e for e in ward.batch.log if e.kind == "checked")
    assert (ward.against, checked.set_id) == (["missing"], "SUC-1")


def test_a_set_named_twice_in_one_message_goes_in_once() -> None:
    ward = Ward()

    ward.says("BAG-1 bag-1, BAG-1")

    assert [s.id for s in ward.batch.sets] == ["BAG-1"]


# ---- the autoclave ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stage", "reading"), [("auto_temp", "120.9"), ("auto_pressure", "108"), ("auto_minutes", "29")]
)
def test_a_cycle_too_cool_too_short_or_with_too_little_pressure_for_the_altitude_fails(
    stage: str, reading: str
) -> None:
    ward = play(Ward(), method="autoclave", until=stage)

    ward.says(reading)

    assert ward.stage == "auto_failed"
    assert (SENA, "alert") in {(phone, kind) for phone, kind, _ in ward.said}


def test_the_same_pressure_is_enough_at_the_coast() -> None:
    """The control: 108 kPa fails at 500 m because of the altitude, not by itself."""
    coast = Ward(site=replace(PLACE, altitude_m=0))
    ward = play(coast, method="autoclave", until="auto_pressure")

    ward.says("108")

    assert ward.stage == "auto_minutes"


@pytest.mark.parametrize("answer", ["2", "3"])
def test_an_indicator_that_failed_or_was_not_there_fails_the_load(answer: str) -> None:
    ward = play(Ward(), method="autoclave", until="auto_indicator")

    ward.says(answer, "1")

    assert ward.stage == "auto_load"
    assert never_ready(ward)


# ---- the record it is judged by ---------------------------------------------------------------


def test_a_batch_is_not_ready_by_another_protocol_than_the_one_it_ran_on() -> None:
    batch = play(Ward()).ended

    other = findings(batch, replace(PROTOCOL, version="2"))

    assert [f.code for f in other] == ["other_protocol"]


def test_a_report_by_someone_else_changes_nothing() -> None:
    """Her colleague's "1" is not an answer to her question."""
    ward = soaking()
    ward.passes(minutes=20)
    before = ward.batch

    ward.says("1", phone=BELA)

    assert ward.unit.batches[before.id] == before
