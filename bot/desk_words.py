"""What the desk's sheets say: one plain line for each critical stage, by its mark.

Numbers in braces come from the protocol. `STEPS` is what is done, `RECORD` what the paper log asks
for at that step (empty: a time and a sign are enough).
"""

from __future__ import annotations

from collections.abc import Mapping

TRAINING = "The numbers are for training until the local programme has confirmed them."
FIRST = "Local rules, the maker's instructions and licensed practice come first."

METHOD_NAMES: Mapping[str, str] = {
    "chlorine": "Chlorine soak",
    "boiling": "Boiling",
    "steaming": "Steaming",
    "autoclave": "Autoclave",
}

STEPS: Mapping[str, str] = {
    "protected": "Gloves, apron and eye cover on. Dirty side apart from clean side.",
    "wiped": "Wipe the dirt off at once with a damp cloth, before it dries.",
    "apart": "Take everything apart, every valve too. Count the pieces.",
    "washed": "Wash each piece under water with soap and a brush, inside and out.",
    "rinsed": "Rinse off all soap in clean water.",
    "scale_checked": "Look for white scale. If there is any: vinegar soak, then rinse well.",
    "vinegar_started": "Scale only: under {vinegar_parts}, {vinegar} min.",
    "vinegar_out": "Scale only: take out when the time is over.",
    "vinegar_rinsed": "Scale only: rinse it off well. Vinegar and chlorine make poison gas.",
    "method": "Choose a method that the maker allows for every piece.",
    "soak_dry": "Shake the water off: wet pieces thin the solution.",
    "solution_fresh": "Use a labelled solution, at most {life} h old and clear. Else make it new.",
    "solution_strength": "Strength {target} % or more, and not above {most} %.",
    "loaded": "Put the pieces in.",
    "cycle": "Choose the cycle for your machine and load from the table.",
    "exposure_started": "Start the clock.",
    "exposed": "The whole time. If it stops, or something goes in, begin again.",
    "soak_rinsed": "Rinse {rinses} times in boiled, cooled water. Touch with clean gloves only.",
    "read_temperature": "Read the lowest temperature while the time ran.",
    "read_pressure": "Read the lowest pressure while the time ran.",
    "read_minutes": "Read how many minutes it stayed there.",
    "indicator": "The chemical indicator inside has changed fully.",
    "cooled": "Let it cool and dry inside. A wet pack is not sterile.",
    "dried": "Dry on a clean cloth or in the air, covered. Wet pieces are not stored.",
    "counted": "Count the pieces of each set against its list.",
    "inspected": "Look at each piece: no crack, no dirt, not sticky, valves move.",
    "assembled": "Put it together as the maker says, with clean hands.",
    "tested": "Test each set: the bag fills, holds and lets go; suction sucks.",
    "stored": "Store in a clean, covered container with the date.",
}

# Where a method says more than the line above.
BY_METHOD: Mapping[tuple[str, str], str] = {
    ("chlorine", "exposure_started"): "Under the solution, air let out. Start the clock.",
    ("chlorine", "exposed"): "{minutes} min, not less. Take out before {longest} min.",
    ("boiling", "loaded"): "All pieces under water, with nothing trapping air. Lid on.",
    ("boiling", "exposure_started"): "Start the clock at the rolling boil, not before.",
    ("boiling", "exposed"): "{minutes} min of rolling boil. Add nothing; if it stops, begin again.",
    ("steaming", "loaded"): "Enough water below, pieces above it, lid on.",
    ("steaming", "exposure_started"): "Start the clock when steam comes out.",
    ("steaming", "exposed"): "{minutes} min of steam. If the steam stops, begin again.",
    ("autoclave", "loaded"): "Dry pieces, packed loosely, indicator inside. Write the load number.",
    ("autoclave", "exposure_started"): "Let the air out. Start the clock AT temperature.",
    ("autoclave", "exposed"): "The whole minutes of the cycle. If it drops, begin again.",
}

# After ICSC 0482 (IPCS 1999) and, for needles and blood, guidance of the United Nations Medical
# Services 2014; the minutes and hours are the protocol's.
FIRST_AID = (
    "Eye: rinse with plenty of water {rinse} min, lids open, lenses out. Then a clinician, now.",
    "Skin: rinse with water {rinse} min, wet clothes off, rinse again.",
    "Fumes: out to fresh air, rest, let nobody in. A clinician, now.",
    "Swallowed: rinse the mouth, drink some water, do NOT vomit. A clinician, now.",
    "Burn: cool it with water at once, cover it clean.",
    "Needle or blade: wash with soap and water. Do not squeeze, rub or suck.",
    "Needle or blade, then: a clinician AT ONCE: PEP against HIV, {blood} h at the latest.",
    "Blood in eye, mouth or cut: water {rinse} min. A clinician AT ONCE, as for a needle.",
    "Report every accident. A soak or cycle whose clock runs goes on.",
)

RECORD: Mapping[str, str] = {
    "apart": "pieces:",
    "solution_fresh": "made at:",
    "solution_strength": "%:",
    "loaded": "load no.:",
    "cycle": "cycle:",
    "soak_rinsed": "rinses:",
    "read_temperature": "C:",
    "read_pressure": "kPa / psi:",
    "read_minutes": "min:",
    "indicator": "changed? yes / no",
    "cooled": "dry? yes / no",
    "counted": "pieces:",
    "tested": "pass / fail",
    "stored": "box / wrap, until:",
}

# What is sent once the network is back; with the words of LATE as the English catalogue has them.
LATE_LINE: Mapping[str, str] = {
    "chlorine": "FRESH STRENGTH __ IN ____ OUT ____",
    "boiling": "BOIL ____ OUT ____",
    "steaming": "STEAM ____ OUT ____",
    "autoclave": "AUTO LOAD ___ CYCLE _ AT ____ OUT ____ TEMP ___ PRES ___ MIN __ IND GOOD DRY",
}
LATE_AROUND = "LATE (sets) DONE ALL {how} COUNT __ __ TEST GOOD BOX ____"

# What its column of times asks for; empty: when it was done.
TIMES: Mapping[str, str] = {
    "vinegar_started": "IN:",
    "vinegar_out": "OUT:",
    "exposure_started": "IN:",
    "exposed": "OUT:",
}
ONLY_IN_THE_AUTOCLAVE = ("loaded",)  # other pots have no load number


def record(mark: str, method: str) -> str:
    """What the paper log asks for at *mark*."""
    spared = mark in ONLY_IN_THE_AUTOCLAVE and method != "autoclave"
    return "" if spared else RECORD.get(mark, "")


def line(mark: str, method: str, numbers: Mapping[str, str]) -> str:
    """What is done at *mark* of *method*, with the protocol's *numbers* in it."""
    return (BY_METHOD.get((method, mark)) or STEPS[mark]).format(**numbers)
