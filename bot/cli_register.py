"""`soakbell register`: the register from CSV files, all or nothing, and back into them.

People and sets come and go by text as well. So an import that would drop any says so and needs
`--drop`; an export first, and no one is forgotten.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import sys
from pathlib import Path

from bot.catalogues import load_catalogues
from bot.cli_trade import Row
from bot.config import from_env
from bot.register import Register
from bot.register_edit import TABLES, tables
from bot.register_files import STOCK, read_register
from bot.wiring import announce, build, load_rules, open_store
from bot.wording import Wording

OWNER_ONLY = 0o600  # the files hold phone numbers


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("action", choices=["import", "check", "export"],
                        help="check reads and saves nothing; export writes what there is now")
    parser.add_argument("folder", type=Path, help="folder of the five CSV files")
    parser.add_argument("--drop", action="store_true",
                        help="import though people or sets that are registered are not there")
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(words: argparse.Namespace) -> int:
    """Returns 0; RegisterError for files that are wrong or would drop somebody."""
    register = _exported(words.folder) if words.action == "export" else _read(words)
    sizes = {name: len(getattr(register, name))
             for name in ("districts", "facilities", "models", "sets", "people")}  # fmt: skip
    text = ", ".join(f"{n} {name}" for name, n in sizes.items())
    print(json.dumps(sizes) if words.json else text)
    return 0


def _read(words: argparse.Namespace) -> Register:
    config = from_env(os.environ, needs=()) if words.action == "check" else from_env(os.environ)
    register = read_register(words.folder, config.region or None)
    for warning in register.warnings:
        print(f"note: {warning}", file=sys.stderr)
    if words.action == "import":
        announce(build(config), register, drop=words.drop)
    return register


def _exported(folder: Path) -> Register:
    config = from_env(os.environ, needs=())
    store = open_store(config, load_rules(config, Wording(load_catalogues())))
    register = store.load_register()
    store.close()
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables(register).items():
        path = folder / (STOCK if name == "stock" else f"{name}.csv")
        path.touch(mode=OWNER_ONLY)
        path.chmod(OWNER_ONLY)
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, TABLES[name])
            writer.writeheader()
            writer.writerows(rows)
    return register


ROW = Row("register", "read the register from CSV files, all or nothing, or write it to them",
          "soakbell register import bot/demo", add, run)  # fmt: skip
