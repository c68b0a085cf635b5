"""The stage graph of a batch, as data: from used to READY.

The order of work is common practice after the handbooks named in the protocol file; the reasons
for the order stand beside the stages where they matter.
"""

from __future__ import annotations

from flows.stage import (
    ASIDE,
    CANCEL,
    EARLIEST,
    MENU,
    METHOD,
    RELEASE,
    RETURN,
    Flow,
    Option,
    Page,
    Reading,
    Stage,
)

FORWARD = "1"


def _confirm(stage: str, to: str, mark: str, **more: object) -> Stage:
    return Stage(stage, "confirm", {FORWARD: Option(to, mark=mark)}, **more)  # type: ignore[arg-type]


CLEAN = (
    _confirm("protect", "wipe", "protected"),
    _confirm("wipe", "apart", "wiped", by_kind=True),
    _confirm("apart", "wash", "apart", by_kind=True),
    # Before any chlorine: dirt and soap use the chlorine up.
    _confirm("wash", "rinse", "washed", by_kind=True),
    _confirm("rinse", "scale", "rinsed"),
    Stage(
        "scale",
        "choice",
        {"1": Option("method", mark="scale_checked"), "2": Option("vinegar_in")},
    ),
    _confirm("vinegar_in", "vinegar", "vinegar_started"),
    Stage(
        "vinegar",
        "wait",
        {
            "1": Option("vinegar_rinse", mark="vinegar_out"),
            "2": Option("vinegar_in", again="vinegar_started"),
        },
        exposure="vinegar",
    ),
    # The acid must be gone before chlorine: together they give chlorine gas.
    Stage(
        "vinegar_rinse",
        "choice",
        {"1": Option("scale_gone", mark="vinegar_rinsed"), "2": Option("vinegar_rinse")},
    ),
    Stage(
        "scale_gone",
        "choice",
        {
            "1": Option("method", mark="scale_checked"),
            # The second vinegar bath needs its whole time too.
            "2": Option("vinegar_in", again="vinegar_started"),
        },
    ),
    Stage("method", "pick", {FORWARD: Option(METHOD, mark="method")}, source="methods"),
)

OUT_EARLY = Option(EARLIEST, again="exposure_started", tell="shortened")
RESTART = Option(EARLIEST, again="exposure_started")

CHLORINE = (
    # Wet pieces would thin the solution.
    _confirm("soak_dry", "solution_age", "soak_dry", phase="disinfect", method="chlorine"),
    Stage(
        "solution_age",
        "choice",
        {
            "1": Option("solution_strength", mark="solution_fresh"),
            "2": Option("solution_remake"),
            "3": Option("supply_method"),
        },
        phase="disinfect",
        method="chlorine",
    ),
    Stage(
        "solution_remake",
        "choice",
        {
            "1": Option("solution_strength", mark="solution_fresh"),
            "2": Option("supply_method"),
        },
        phase="disinfect",
        method="chlorine",
    ),
    Stage(
        "solution_strength",
        "number",
        {
            "ok": Option("soak_in", mark="solution_strength"),
            "weak": Option("solution_remake", again="solution_fresh"),
            "strong": Option("solution_strong", mark="solution_strength"),
            "harmful": Option("solution_remake", again="solution_fresh"),
        },
        phase="disinfect",
        method="chlorine",
        reading=Reading("strength", 0.01, 20, "percent"),
        judge="strength",
    ),
    Stage(
        "solution_strong",
        "choice",
        {
            "1": Option("solution_strength", again="solution_strength"),
            "2": Option("soak_in"),
        },
        phase="disinfect",
        method="chlorine",
    ),
    _confirm("soak_in", "soak", "exposure_started", phase="disinfect", method="chlorine"),
    Stage(
        "soak",
        "wait",
        {"1": Option("soak_rinse", mark="exposed"), "2": RESTART, "3": OUT_EARLY},
        phase="disinfect",
        method="chlorine",
        exposure="chlorine",
    ),
    # Tap water would put back what the soak took away.
    Stage(
        "soak_rinse",
        "choice",
        {"1": Option("soak_cloth", mark="soak_rinsed"), "2": Option(EARLIEST, again="soak_dry")},
        phase="disinfect",
        method="chlorine",
    ),
    Stage(
        "soak_cloth",
        "choice",
        {"1": Option("count", mark="dried"), "2": Option("soak_cloth")},
        phase="disinfect",
        method="chlorine",
    ),
)


def _heated(method: str, loaded: str, start: str, wait: str, after: str) -> tuple[Stage, ...]:
    """The stages that boiling and steaming share: load, start signal, wait."""
    return (
        _confirm(loaded, start, "loaded", phase="disinfect", method=method),
        _confirm(start, wait, "exposure_started", phase="disinfect", method=method),
        Stage(
            wait,
            "wait",
            {"1": Option(after, mark="exposed"), "2": RESTART, "3": OUT_EARLY},
            phase="disinfect",
            method=method,
            exposure=method,
        ),
        Stage(
            after,
            "choice",
            {"1": Option("count", mark="dried"), "2": Option(after)},
            phase="disinfect",
            method=method,
        ),
    )


BOILING = _heated("boiling", "boil_in", "boil_start", "boil", "boil_dry")
STEAMING = _heated("steaming", "steam_in", "steam_start", "steam", "steam_dry")


def _cycle_reading(stage: str, to: str, reading: Reading) -> Stage:
    return Stage(
        stage,
        "number",
        {
            "ok": Option(to, mark=f"read_{reading.name}"),
            "short": Option("auto_failed", again="exposure_started", tell="cycle"),
        },
        phase="disinfect",
        method="autoclave",
        reading=reading,
        judge=reading.name,
    )


AUTOCLAVE = (
    Stage(
        "auto_load",
        "number",
        {"ok": Option("auto_cycle", mark="loaded")},
        phase="disinfect",
        method="autoclave",
        reading=Reading("load", 1, 99999, "id"),
        judge="load",
    ),
    Stage(
        "auto_cycle",
        "pick",
        {FORWARD: Option("auto_start", mark="cycle")},
        phase="disinfect",
        method="autoclave",
        source="cycles",
    ),
    _confirm("auto_start", "auto", "exposure_started", phase="disinfect", method="autoclave"),
    Stage(
        "auto",
        "wait",
        {"1": Option("auto_temp", mark="exposed"), "2": RESTART, "3": OUT_EARLY},
        phase="disinfect",
        method="autoclave",
        exposure="autoclave",
    ),
    _cycle_reading("auto_temp", "auto_pressure", Reading("temperature", 50, 300, "celsius")),
    _cycle_reading("auto_pressure", "auto_minutes", Reading("pressure", 0, 500, "kpa")),
    _cycle_reading("auto_minutes", "auto_indicator", Reading("minutes", 0, 240, "minutes")),
    Stage(
        "auto_failed",
        "choice",
        {"1": Option(EARLIEST), "2": Option(EARLIEST, again="method"), "3": Option("aside")},
        phase="disinfect",
        method="autoclave",
    ),
    Stage(
        "auto_indicator",
        "choice",
        {
            "1": Option("auto_cooled", mark="indicator"),
            "2": Option("auto_failed", again="loaded", tell="indicator"),
            "3": Option("auto_failed", again="loaded", tell="indicator_none"),
        },
        phase="disinfect",
        method="autoclave",
    ),
    # A wet pack is not sterile.
    Stage(
        "auto_cooled",
        "choice",
        {"1": Option("count", mark="cooled"), "2": Option("auto_failed", again="loaded")},
        phase="disinfect",
        method="autoclave",
    ),
)

TEST_FAILED = Option("test_failed", again="assembled")

FINISH = (
    Stage(
        "count",
        "number",
        {
            "ok": Option("inspect", mark="counted"),
            "fewer": Option("missing", again="counted"),
            "more": Option("mixed", again="counted"),
        },
        phase="finish",
        each="set",
        reading=Reading("count", 0, 60, "count"),
        judge="count",
    ),
    Stage("mixed", "choice", {"1": Option(EARLIEST), "2": Option("aside")}, phase="finish"),
    Stage(
        "inspect",
        "choice",
        {
            "1": Option("assemble", mark="inspected"),
            "2": Option(EARLIEST, again="washed"),
            "3": Option("damaged"),
            "4": Option(EARLIEST, again="cooled"),
        },
        phase="finish",
    ),
    _confirm("assemble", "test_bag", "assembled", phase="finish", by_kind=True),
    Stage(
        "test_bag",
        "choice",
        {
            "1": Option("test_suction", mark="tested"),
            "2": TEST_FAILED,
            "3": TEST_FAILED,
            "4": TEST_FAILED,
            "5": TEST_FAILED,
        },
        phase="finish",
        each="bag",
    ),
    Stage(
        "test_suction",
        "choice",
        {"1": Option("store", mark="tested"), "2": TEST_FAILED},
        phase="finish",
        each="suction",
    ),
    Stage(
        "test_failed",
        "choice",
        {
            "1": Option(EARLIEST, again="assembled"),
            "2": Option("damaged"),
            "3": Option("aside", tell="test"),
        },
        phase="finish",
    ),
    Stage(
        "store",
        "choice",
        {
            "1": Option(RELEASE, mark="stored"),
            "2": Option(RELEASE, mark="stored"),
            "3": Option("store_none"),
        },
        phase="finish",
    ),
    Stage("store_none", "choice", {"1": Option("store"), "2": Option("aside")}, phase="finish"),
)

TROUBLE = {
    "1": Option(RETURN),
    "2": Option("missing"),
    "3": Option("damaged"),
    "4": Option("supply"),
    "5": Option("away"),
    "6": Option("refused", tell="refused"),
    "7": Option(MENU),
}

SIDE = (
    Stage("trouble", "choice", TROUBLE, phase="side"),
    Stage("trouble_method", "choice", {**TROUBLE, "4": Option("supply_method")}, phase="side"),
    # A spare that was not disinfected makes the whole batch go through again.
    Stage(
        "missing",
        "choice",
        {
            "1": Option(EARLIEST, again="counted"),
            "2": Option(EARLIEST, again="counted"),
            "3": Option(EARLIEST, again="washed"),
            "4": Option("aside", tell="missing"),
        },
        phase="side",
    ),
    Stage(
        "damaged",
        "choice",
        {
            "1": Option(EARLIEST, again="counted"),
            "2": Option(EARLIEST, again="washed"),
            "3": Option("aside", tell="damaged"),
        },
        phase="side",
    ),
    Stage(
        "supply",
        "choice",
        {"1": Option(RETURN), "2": Option("away"), "3": Option("aside", tell="supplies")},
        phase="side",
    ),
    Stage(
        "supply_method",
        "choice",
        {
            "1": Option(EARLIEST, again="method"),
            "2": Option("away"),
            "3": Option("aside", tell="supplies"),
        },
        phase="side",
    ),
    Stage("away", "choice", {"1": Option(RETURN), "2": Option(MENU)}, phase="side"),
    Stage(
        "refused",
        "choice",
        {"1": Option(RETURN), "2": Option("aside", tell="given_up")},
        phase="side",
    ),
    Stage(
        "no_method",
        "choice",
        {"1": Option("aside", tell="no_method"), "2": Option(EARLIEST)},
        phase="side",
    ),
    Stage("aside", "pick", {FORWARD: Option(ASIDE)}, phase="side", source="remaining"),
    Stage(
        "not_ready",
        "choice",
        {"1": Option(EARLIEST), "2": Option("aside", tell="given_up")},
        phase="side",
    ),
    Stage("undo", "choice", {"1": Option(RETURN), "2": Option(CANCEL)}, phase="side"),
)

REPROCESS = Flow(
    name="reprocess",
    version="1",
    start="protect",
    stages={s.id: s for s in (*CLEAN, *CHLORINE, *BOILING, *STEAMING, *AUTOCLAVE, *FINISH, *SIDE)},
    trouble={"clean": "trouble", "disinfect": "trouble_method", "finish": "trouble"},
    # The order is that of the list a nurse is offered.
    methods={
        "chlorine": "soak_dry",
        "boiling": "boil_in",
        "steaming": "steam_in",
        "autoclave": "auto_load",
    },
    pages=(
        Page("clean", "brief", ("protect", "wipe", "apart", "wash", "rinse", "scale")),
        Page("soak", "brief", ("soak_dry", "solution_age", "solution_strength", "soak_in")),
        Page("boil", "brief", ("boil_in", "boil_start")),
        Page("steam", "brief", ("steam_in", "steam_start")),
        Page("soak_out", "brief", ("soak_rinse", "soak_cloth", "count")),
        Page("boil_out", "brief", ("boil_dry", "count")),
        Page("steam_out", "brief", ("steam_dry", "count")),
        Page("auto_in", "brief", ("auto_load", "auto_cycle", "auto_start")),
        Page(
            "auto_out",
            "brief",
            (
                "auto_temp",
                "auto_pressure",
                "auto_minutes",
                "auto_indicator",
                "auto_cooled",
                "count",
            ),
        ),
        Page("finish", "brief", ("inspect", "assemble", "test_bag", "test_suction", "store")),
        Page("cycle", "guided", ("auto_temp", "auto_pressure", "auto_minutes")),
        Page("counts", "guided", ("count",), numbers=2),
    ),
)
