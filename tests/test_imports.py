"""Who may import whom. Read from the syntax trees, so that no test run can hide an import."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from functools import cache
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("flows", "bot", "workers")
FILES = sorted(path for name in PACKAGES for path in (ROOT / name).rglob("*.py"))


def name_of(path: Path) -> str:
    """The dotted name of a module of ours."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {name_of(path): path for path in FILES}


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imports(path: Path) -> set[str]:
    """The dotted names that a file imports; `from bot import rows` is bot.rows."""
    found = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} line {node.lineno}: a relative import"
            whole = {f"{node.module}.{alias.name}" for alias in node.names}
            modules = whole & set(MODULES)
            found |= modules or {str(node.module)}
    return found


def outside(path: Path) -> set[str]:
    """The top names that a file imports and that are neither ours nor the standard library."""
    tops = {name.split(".")[0] for name in imports(path)}
    return tops - set(sys.stdlib_module_names) - set(PACKAGES)


def importers(library: str) -> set[str]:
    """Our modules that import *library*."""
    return {name for name, path in MODULES.items() if library in outside(path)}


def packages(path: Path) -> set[str]:
    """Which of our packages a file imports."""
    return {name.split(".")[0] for name in imports(path)} & {*PACKAGES, "tests"}


def ids(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def test_there_is_something_to_read() -> None:
    assert {"flows.release", "bot.machine", "bot.migrations.env", "workers.jobs"} <= set(MODULES)
    assert "bot.rows" in imports(MODULES["bot.register_files"])
    assert "sqlalchemy" in outside(MODULES["bot.tables"])


@pytest.mark.parametrize("path", [p for p in FILES if p.is_relative_to(ROOT / "flows")], ids=ids)
def test_flows_imports_the_standard_library_and_itself(path: Path) -> None:
    assert outside(path) == set()
    assert packages(path) <= {"flows"}


@pytest.mark.parametrize("path", [p for p in FILES if p.is_relative_to(ROOT / "bot")], ids=ids)
def test_bot_never_imports_workers_or_tests(path: Path) -> None:
    assert packages(path) <= {"flows", "bot"}


@pytest.mark.parametrize("path", [p for p in FILES if p.is_relative_to(ROOT / "workers")], ids=ids)
def test_workers_know_flows_only_through_bot(path: Path) -> None:
    assert packages(path) <= {"bot", "workers"}


STORE = {"database", "tables", "store", "recording", "queries", "account_store",
         "account_sessions", "alert_queries", "alert_records", "audit", "message_queries",
         "message_records", "register_rows", "registry", "register_changes",
         "check_records", "check_queries", "gap_records", "gap_queries",
         "mix_records", "mix_queries", "need_queries", "cursors", "tokens", "keeping", "rowwise",
         "totals",
         "total_tables", "count_queries", "figures", "expected", "exporting", "documents",
         "whole_months", "set_line", "reports_sent"}


@pytest.mark.parametrize(
    ("library", "allowed"),
    [
        # Out to the gateway, to another Soakbell, and with the monthly reports.
        ("requests", {"bot.gateway", "bot.relay", "bot.report_ways"}),
        ("rq", {"workers.embedded", "workers.__main__", "workers.sweep", "workers.jobs"}),
        ("gunicorn", {"workers.command"}),
        ("waitress", {"workers.command"}),
        ("fakeredis", {"bot.wiring"}),
        ("babel", {"bot.catalogues", "bot.wording"}),
        (
            "flask",
            {"bot.web", "bot.webhooks", "bot.api", "bot.api_asked", "bot.api_counts",
             "bot.api_errors",
             "bot.api_facts", "bot.formats", "bot.handset",
             "bot.demo_gateway", "bot.desk", "bot.desk_sums", "bot.login",
             "bot.desk_scope", "bot.desk_pages", "bot.desk_messages", "bot.desk_register",
             "bot.desk_files", "bot.desk_trail", "bot.desk_counts", "bot.desk_planning",
             "bot.desk_report"},
        ),
        ("argon2", {"bot.passwords"}),
        ("xlsxwriter", {"bot.workbook"}),
        ("fpdf", {"bot.report_pdf"}),
        ("rich", {"bot.cli_counts_shown", "bot.cli_export", "bot.cli_report"}),
        ("duckdb", {"bot.parquet"}),
        # Not thread-safe: behind the one lock.
        ("matplotlib", {"bot.pictures_frame"}),
    ],
)  # fmt: skip
def test_a_library_stays_where_it_belongs(library: str, allowed: set[str]) -> None:
    found = importers(library)

    assert found
    assert found <= allowed


@pytest.mark.parametrize("library", ["sqlalchemy", "alembic", "psycopg"])
def test_sql_is_spoken_in_the_stores_files_only(library: str) -> None:
    allowed = {f"bot.{name}" for name in STORE}
    found = {name for name in importers(library) if not name.startswith("bot.migrations")}

    assert found <= allowed


def test_the_pure_step_knows_no_library_at_all() -> None:
    """What a step can reach imports neither Redis nor SQL nor the web."""
    seen, todo = set(), ["bot.machine"]
    while todo:
        name = todo.pop()
        seen.add(name)
        todo += [m for m in imports(MODULES[name]) if m in MODULES and m not in seen]

    assert "flows.release" in seen
    assert {name: outside(MODULES[name]) for name in seen if outside(MODULES[name])} == {}


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_no_import_hides_in_a_function(path: Path) -> None:
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            inner = [n for n in ast.walk(node) if isinstance(n, ast.Import | ast.ImportFrom)]
            assert inner == [], f"line {node.lineno}"


# What reads a clock, chance or the environment when called.
MOVING = {"now", "utcnow", "today", "time", "monotonic", "perf_counter", "random", "uuid4",
          "urandom", "token_hex", "getenv", "from_env", "getpid"}  # fmt: skip


def at_import(node: ast.AST) -> Iterator[ast.AST]:
    """What runs when a module is imported: everything but the bodies of functions."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            outer = [] if isinstance(child, ast.Lambda) else child.decorator_list
            arguments = child.args
            for part in (*outer, *arguments.defaults, *filter(None, arguments.kw_defaults)):
                yield part
                yield from at_import(part)
        else:
            yield child
            yield from at_import(child)


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_importing_reads_no_clock_no_chance_and_no_environment(path: Path) -> None:
    for node in at_import(tree(path)):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            assert called.split(".")[-1] not in MOVING, f"line {node.lineno}: {called}"
        assert not (isinstance(node, ast.Attribute) and ast.unparse(node) == "os.environ")


@pytest.mark.parametrize("path", [p for p in FILES if p.is_relative_to(ROOT / "flows")], ids=ids)
def test_flows_reads_no_clock_at_all(path: Path) -> None:
    calls = [n for n in ast.walk(tree(path)) if isinstance(n, ast.Call)]
    called = {ast.unparse(n.func).split(".")[-1] for n in calls}

    assert called.isdisjoint(MOVING | {"sleep"})


@pytest.mark.parametrize("package", PACKAGES)
def test_no_import_goes_in_a_circle(package: str) -> None:
    ours = {name: imports(path) & set(MODULES) - {name} for name, path in MODULES.items()
            if name.split(".")[0] == package}  # fmt: skip
    left = dict(ours)
    while True:
        free = {name for name, needs in left.items() if not needs & set(left)}
        if not free:
            break
        left = {name: needs for name, needs in left.items() if name not in free}

    assert left == {}, "these import each other in a circle"


def test_nothing_imports_the_tests() -> None:
    assert [p for p in FILES if "tests" in packages(p)] == []


def strings(path: Path) -> Iterator[str]:
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def test_every_job_named_by_a_string_is_there() -> None:
    """RQ finds its jobs by name: a renamed function would be found missing on a queue."""
    names = {
        text
        for path in FILES
        for text in strings(path)
        if text.startswith(("workers.", "bot.", "flows.")) and text.replace(".", "").isidentifier()
    }

    assert {"workers.jobs.ring", "workers.jobs.deliver", "workers.jobs.push"} <= names
    for name in names:
        if name in MODULES:
            continue
        module, _, attribute = name.rpartition(".")
        assert module in MODULES, name
        assert hasattr(import_module(module), attribute), name
