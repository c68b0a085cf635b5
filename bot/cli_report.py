"""`soakbell report`: the monthly report into files, whole or not at all."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TextIO

from rich.console import Console
from rich.progress import BarColumn, Progress

from bot.catalogues import load_catalogues
from bot.cli_trade import Row
from bot.clock import utc_now
from bot.config import Config, from_env
from bot.report_found import Reports, before
from bot.report_html import html
from bot.report_parts import Report
from bot.report_pdf import pdf
from bot.wiring import load_rules, open_store
from bot.wording import Wording

FORMATS: Mapping[str, Callable[[Report], bytes]] = {
    "html": lambda report: html(report).encode(), "pdf": pdf,
}  # fmt: skip


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments of the command."""
    parser.add_argument("--month", type=month_of, help="2026-10; default: the month before this")
    parser.add_argument("--district", default="", metavar="ID", help="default: everything")
    parser.add_argument("--html", type=Path, metavar="FILE", help="one page, to read or to print")
    parser.add_argument("--pdf", type=Path, metavar="FILE", help="for A4")
    parser.add_argument("--to-send", action="store_true",
                        help="without counts of one facility below SOAKBELL_SMALL_NUMBERS")
    parser.add_argument("--json", action="store_true", help="print JSON")


def month_of(text: str) -> date:
    """The first day of a month such as 2026-10; ValueError for anything else."""
    return date.fromisoformat(f"{text}-01")


def run(words: argparse.Namespace) -> int:
    """0 when the files are whole and in their place; ValueError where they cannot be."""
    targets = {name: path for name in FORMATS if (path := getattr(words, name))}
    for path in targets.values():
        if not path.parent.is_dir():
            raise ValueError(f"there is no folder {path.parent}")
    config = from_env(os.environ, needs=())
    month = words.month or before(utc_now().date().replace(day=1))
    try:
        with _progress(sys.stderr, len(targets) + 1) as done:
            report = _made(config, month, words.district, to_send=words.to_send)
            done()
            write(report, targets, done)
    except OSError as error:
        raise ValueError(f"cannot write there: {error.strerror or error}") from error
    files = [str(path) for path in targets.values()]
    if words.json:
        print(json.dumps({"month": report.month, "district": report.district,
                          "summary": report.summary, "caution": report.caution, "files": files}))
    else:
        print("\n".join([report.title, *report.summary, report.caution, *files]))
    return 0


def _made(config: Config, month: date, district: str, *, to_send: bool) -> Report:
    wording = Wording(load_catalogues(config.locale) if config.locale else load_catalogues())
    rules = load_rules(config, wording)
    store = open_store(config, rules)
    try:
        reports = Reports(store, rules, wording, utc_now)
        return reports.make(month, district, config.small_numbers if to_send else 0)
    finally:
        store.close()


def write(report: Report, targets: Mapping[str, Path], done: Callable[[], None]) -> None:
    """Write *report* to *targets* by format; each file is moved there when all are whole. *done*
    is called after each. OSError where one cannot be written; then none is left half."""
    beside = {name: path.with_name(f".{path.name}.{os.getpid()}") for name, path in targets.items()}
    try:
        for name, path in beside.items():
            path.write_bytes(FORMATS[name](report))
            done()
        for name, path in beside.items():
            path.replace(targets[name])
    finally:
        for path in beside.values():
            path.unlink(missing_ok=True)


@contextmanager
def _progress(told: TextIO, steps: int) -> Iterator[Callable[[], None]]:
    """How far it is, on a terminal only."""
    console = Console(file=told)
    with Progress("{task.description}", BarColumn(), console=console, transient=True,
                  disable=not console.is_terminal) as progress:  # fmt: skip
        task = progress.add_task("report", total=steps)
        yield lambda: progress.advance(task)


ROW = Row("report", "the monthly report of a district, as a page and as a PDF",
          "soakbell report --month 2026-10 --district TAM --pdf report.pdf", add, run)
