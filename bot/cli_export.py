"""`soakbell export`: raw batches into files, whole or not at all."""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple, Protocol, TextIO

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, ProgressColumn, Task
from rich.text import Text

from bot.catalogues import load_catalogues
from bot.cli_trade import Row
from bot.config import from_env
from bot.exporting import BATCHES, STEPS, Kind, Wanted, how_many, pages
from bot.formats import csv_lines
from bot.parquet import ParquetFile
from bot.store import Store
from bot.wiring import load_rules, open_store
from bot.wording import Wording

FORMATS = ("parquet", "csv")


class _Sink(Protocol):
    def add(self, rows: Iterable[Mapping[str, Any]]) -> None: ...
    def finish(self) -> None: ...
    def close(self) -> None: ...


class _CsvFile:
    """Rows as CSV that a spreadsheet may open without harm."""

    def __init__(self, path: Path, columns: Mapping[str, Kind]) -> None:
        self._columns = list(columns)
        self._file = path.open("w", encoding="utf-8", newline="")
        self._file.writelines(csv_lines(self._columns, ()))

    def add(self, rows: Iterable[Mapping[str, Any]]) -> None:
        self._file.writelines(islice(csv_lines(self._columns, rows), 1, None))

    def finish(self) -> None:
        self._file.close()

    close = finish


class _Done(NamedTuple):
    batches: int
    steps: int


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments of the command."""
    parser.add_argument("path", type=Path, metavar="FOLDER_OR_FILE",
                        help="a folder for batches and steps; or a .parquet or .csv file for "
                             "batches alone")
    parser.add_argument("--format", choices=FORMATS, help="default: by the file, else parquet")
    parser.add_argument("--from", dest="first", type=date.fromisoformat,
                        help="opened on this day of the facility or later")
    parser.add_argument("--to", dest="last", type=date.fromisoformat, help="on this day or earlier")
    parser.add_argument("--district", action="append", default=[], metavar="ID", help="repeat")
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(words: argparse.Namespace) -> int:
    """0 when the files are whole and in their place; ValueError where they cannot be."""
    wanted = Wanted(since=words.first, until=words.last, district=tuple(words.district))
    targets, form = _targets(words.path, words.format)
    config = from_env(os.environ, needs=())
    store = open_store(config, load_rules(config, Wording(load_catalogues())))
    try:
        done = export(store, wanted, targets, form, sys.stderr)
    except OSError as error:
        raise ValueError(f"cannot write there: {error.strerror or error}") from error
    finally:
        store.close()
    said = f"{done.batches} batches" + (f" and {done.steps} steps" if "steps" in targets else "")
    data = done._asdict() | {"files": [str(path) for path in targets.values()]}
    print(json.dumps(data) if words.json else f"{said}: {', '.join(data['files'])}")
    return 0


def _targets(path: Path, form: str | None) -> tuple[dict[str, Path], str]:
    """Where batches and steps go, and in which format. A file is named by its ending."""
    ending = path.suffix.lower().removeprefix(".")
    if ending in FORMATS and not path.is_dir():
        if form not in (None, ending):
            raise ValueError(f"a file that ends with .{ending} is no {form}")
        return {"batches": path}, ending
    form = form or FORMATS[0]
    return {name: path / f"{name}.{form}" for name in ("batches", "steps")}, form


def export(
    store: Store, wanted: Wanted, targets: Mapping[str, Path], form: str, told: TextIO
) -> _Done:
    """Write what is *wanted* to *targets* (batches and perhaps steps, in one folder), all in one
    moment of the store, and move the files there once each is whole. *told* hears how far it is,
    if it is a terminal. OSError where a file cannot be written; then none is left."""
    folder = targets["batches"].parent
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder, prefix=".export-") as unfinished:
        made = {name: Path(unfinished) / path.name for name, path in targets.items()}
        with _sinks(made, form) as sinks:
            done = _write(store, wanted, sinks, told)
            for sink in sinks.values():
                sink.finish()
        for name, path in made.items():
            path.replace(targets[name])
    return done


@contextmanager
def _sinks(paths: Mapping[str, Path], form: str) -> Iterator[dict[str, _Sink]]:
    kind = ParquetFile if form == "parquet" else _CsvFile
    columns = {"batches": BATCHES, "steps": STEPS}
    sinks: dict[str, _Sink] = {name: kind(path, columns[name]) for name, path in paths.items()}
    try:
        yield sinks
    finally:
        for sink in sinks.values():
            sink.close()


def _write(store: Store, wanted: Wanted, sinks: Mapping[str, _Sink], told: TextIO) -> _Done:
    count = {"batches": 0, "steps": 0}
    with store.database.read() as connection, _progress(told) as progress:
        task = progress.add_task("batches", total=how_many(connection, wanted))
        for page in pages(connection, wanted):
            for name, sink in sinks.items():
                rows = page.batches if name == "batches" else page.steps
                sink.add(rows)
                count[name] += len(rows)
            progress.advance(task, page.read)
    return _Done(**count)


class _Rate(ProgressColumn):
    """How many in a second."""

    def render(self, task: Task) -> Text:
        return Text(f"{task.speed:.0f}/s" if task.speed else "")


def _progress(told: TextIO) -> Progress:
    console = Console(file=told)
    return Progress("{task.description}", BarColumn(), MofNCompleteColumn(), _Rate(),
                    console=console, disable=not console.is_terminal, transient=True)


ROW = Row("export", "raw batches and their steps, without people, as Parquet or CSV",
          "soakbell export exported --format csv --from 2026-10-01 --to 2026-10-31", add, run)
