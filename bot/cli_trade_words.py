"""What the commands of the trade say, and the sheets after them: their sentences, in one place."""

from __future__ import annotations

from flows.measures import Amount

CLOSING = (
    "Training numbers until confirmed: the local protocol and the maker's instructions come first."
)

# By the caution codes of flows.solutions and flows.shelf.
CAUTIONS = {
    "water_first": "Water first, then the product.",
    "plastic_only": "Use a plastic container, never metal.",
    "cold_water": "Use cold water, never hot; water that was boiled must have cooled.",
    "add_nothing": "Add nothing else: acid, vinegar or ammonia in chlorine makes poisonous gas.",
    "protect": "Wear utility gloves, an apron and eye cover.",
    "fresh_air": "Work in the open air in the shade, or with the windows open.",
    "label": "Label the container at once.",
    "let_stand": "Cloudy is normal: let it stand, then use the clear part only.",
    "too_strong": "This is over the limit: it wastes product, corrodes and irritates. Use finer"
    " measures, or make more at once.",
    "never_with_chlorine": "Never let vinegar meet chlorine: that makes poisonous gas.",
    "rinse_before_chlorine": "Rinse the vinegar off well before any chlorine soak.",
    "at_most": "This is at most what is left: light, metal and a low pH take more. Never make up"
    " for it by guessing.",
    "test_or_replace": "Check it with a test strip, or take fresh stock.",
}

MIX = {
    "title": "{litres:g} L of {target:g} % chlorine water from {product} of {strength}",
    "title_vinegar": "{litres:g} L of vinegar and water, {parts:g} of water to 1 of vinegar",
    "water": "1. Water first: {reading}.",
    "product": "2. Then add the {product}: {reading}. (Before rounding up: {exact}.)",
    "gives": "This gives {made:g} mL of {percent:.3g} %: {overshoot:.3g} times the target of"
    " {target:g} % (limit: {limit:g} times).",
    "gives_vinegar": "This gives {made:g} mL, {percent:.3g} % of it vinegar.",
    "measures": "Measured with: {measures}.",
    "default_measures": "Measured with what we took for granted: {measures}. Say what you have with"
    " --measure.",
    "own_target": "Your target, {target:g} %, is not that of {protocol}, {asked:g} %.",
    "weaker_target": "Your target, {target:g} %, is WEAKER than {protocol} asks: {asked:g} %.",
    "label": "Label: {what}, {percent:.3g} %, made {made_at}, discard {discard_at}.",
    "doubtful": "NaDCC fades in the heat: doubtful from {warn_at}.",
    "vinegar_life": "Make it fresh and pour it away after use: no source gives it a life.",
    "sources": "Protocol {protocol}: {title}.",
    "source": "  {key} {value:g}: {source}.",
    "refused": "Not to be mixed: {why}",
}

BOTTLE = {
    "left": "The bottle: after {days:g} days at {celsius:g} C probably no more than {shown:g} % of"
    " the {label:g} % on its label.",
    "mix": "The mix above would then be {percent:g} %, under the target: do not use this bottle"
    " untested.",
    "unknown": "The bottle: what is left after {days:g} days at {celsius:g} C is not known"
    " (outside what was measured: {outside}).",
}

CYCLE = {
    "row": "Judged by {cycle} of {protocol}: {machine}, {load}, {celsius:g} C for {minutes:g} min.",
    "source": "Its source: {source}.",
    "needs": "At {altitude:g} m the gauge must show {psi} psi ({kpa} kPa).",
    "accepted": "ACCEPTED: nothing stands against this load.",
    "refused": "NOT ACCEPTED. Do not use this load:",
    "f0": "F0 of such a plateau is {f0:.1f} min at 121.1 C. Only to know: it shortens no time.",
}

# By the reason codes of flows.heat.
REASONS = {
    "other_machine": "The protocol has no cycle for a {is} machine, only for {need}. Ask for"
    " another method.",
    "other_load": "This cycle is for {need} pieces and yours were {is}. Run a cycle for {is} ones.",
    "not_read": "Nobody read the {what}. Run it again and read thermometer and gauge.",
    "too_cold": "{is} C is too cold. Run it again at {need} C or more, the whole time.",
    "too_short": "{is} min at temperature is too short. Run the whole {need} min again.",
    "pressure_low": "{shown} here gives {steam_c} C. It needs {psi} psi ({kpa} kPa), or ask for"
    " another method.",
    "colder_than_pressure": "The thermometer shows {is} C where this pressure gives {steam_c} C."
    " Air is in the chamber, or the gauge is wrong: let the air out and run it again.",
    "hotter_than_pressure": "The thermometer shows {is} C where this pressure gives only"
    " {steam_c} C. One of the two is wrong: have them checked before you run it again.",
    "indicator_unchanged": "The indicator did not change. Wash, pack and run it again; if it fails"
    " twice, call the supervisor.",
    "indicator_none": "There was no indicator in the load. Put one in and run it again.",
    "wet": "A wet pack is not sterile. Pack it looser, run it again and let it dry inside.",
}

PLAN = {
    "need": "Sets needed: {sets}. Then at most {risk:g} of the uses find none ready.",
    "use": "{uses:g} uses a month, {load:.3g} sets away on average.",
    "row": "  with {sets}: {percent:.2g} % of the uses find none ready",
    "simulated": "Simulated (seed {seed}), {uses} uses for each number of sets:",
    "sim_row": "  with {sets}: formula {formula:.4f}, simulation {simulated:.4f}, {apart}",
    "apart": "{errors:.1f} standard errors apart",
    "too_few": "too few were lost to tell",
    "second": "Sets needed by simulation: {sets}.",
    "second_more": "Sets needed by simulation: more than {sets}.",
    "disagree": "The two answers DISAGREE: more than {most} standard errors apart.",
    "agree": "The two answers agree within {most} standard errors.",
    "batches": "{batches} batches a month.",
    "supplies": "Supplies for a month: {items}.",
    "supplies_none": "For supplies, say what a batch takes: --chlorine, --vinegar-ml, --cloths,"
    " --glove-pairs.",
}


def reading(amount: Amount) -> str:
    """`4250 mL (jug: 4 full and 250 mL)`; tablets are only counted."""
    total = f"{amount.total:g} {amount.unit}"
    if amount.unit == "tablet":
        return total if amount.total == 1 else f"{total}s"
    parts = [f"{amount.full} full"] if amount.full else []
    parts += [f"{amount.rest:g} {amount.unit}"] if amount.rest else []
    return f"{total} ({amount.measure}: {' and '.join(parts)})"
