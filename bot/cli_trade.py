"""The commands of the trade, as rows for the table in `bot.cli`: no store, no phone, no network."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import NamedTuple

from bot import cli_cycle, cli_mix, cli_mix_asked, cli_plan


class Row(NamedTuple):
    """The fields of a `bot.cli.Command`, in its order."""

    name: str
    about: str
    example: str
    add: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], int]


ROWS = (
    Row("mix", "how much water and product make a solution, and how strong it is",
        "soakbell mix --liquid 3.5 --litres 5", cli_mix_asked.add, cli_mix.run),
    Row("cycle", "whether a load of the autoclave may be used, and if not, why",
        "soakbell cycle --machine gravity --load wrapped --celsius 121 --gauge 15psi --minutes 30"
        " --altitude 0 --indicator changed", cli_cycle.add, cli_cycle.run),
    Row("plan", "how many sets a facility needs, and its supplies for a month",
        "soakbell plan --births 300 --fraction 0.17 --turnaround 8 --risk 0.01",
        cli_plan.add, cli_plan.run),
)  # fmt: skip
