"""Nothing public without a user in the program or in the recipe of its sound model.

An oracle that only a test needs stands in ``tests/``. A user is found by name: a function or class
where its module or one that imports it names it, a method where anything takes an attribute of that
name. Names that two classes share can hide an unused one; none is blamed wrongly.
"""

import ast
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from assistant import cli

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "assistant"
RECIPE = ROOT / "models" / "recipe"

Function = ast.FunctionDef | ast.AsyncFunctionDef

CALLED_BY_LIBRARIES = {
    "field_validator", "model_validator", "field_serializer", "model_serializer",
}  # fmt: skip
"""Decorators (pydantic's) whose functions a library calls."""

WITHOUT_USER = {
    "assistant.cli.__init__.main": "the entry point of pyproject.toml",
    "assistant.cli.__init__.Commands.get_command": "typer calls it",
    "assistant.cli.__init__.Commands.list_commands": "typer calls it",
    "assistant.fitting.geometry.taper_gap_nm": "issue 17 is to use it",
}
"""Allowed: "module.name" or "module.Class.method" -> why."""


def sources() -> dict[str, ast.Module]:
    """Module name -> tree, of the package and of the recipe."""
    paths = [*PACKAGE.rglob("*.py"), *RECIPE.rglob("*.py")]
    return {
        ".".join(path.relative_to(ROOT).with_suffix("").parts): ast.parse(path.read_text("utf-8"))
        for path in sorted(paths)
        if "_data" not in path.parts
    }


def public(tree: ast.Module) -> Iterator[tuple[str, ast.AST]]:
    """("function" | "Class" | "Class.method", its node) of what a module offers."""
    for node in tree.body:
        if not isinstance(node, Function | ast.ClassDef) or node.name.startswith("_"):
            continue
        yield node.name, node
        for inner in node.body if isinstance(node, ast.ClassDef) else ():
            if (
                isinstance(inner, Function)
                and not inner.name.startswith("_")
                and not _called_by_library(inner)
            ):
                yield f"{node.name}.{inner.name}", inner


def _called_by_library(node: Function) -> bool:
    names = {
        getattr(part, "id", getattr(part, "attr", ""))
        for decorator in node.decorator_list
        for part in ast.walk(decorator)
    }
    return bool(names & CALLED_BY_LIBRARIES)


def _walk(tree: ast.AST) -> Iterator[ast.AST]:
    """The nodes of a tree, those inside string annotations too."""
    todo = [tree]
    while todo:
        node = todo.pop()
        yield node
        todo += ast.iter_child_nodes(node)
        note = getattr(node, "annotation", None) or getattr(node, "returns", None)
        for part in ast.walk(note) if isinstance(note, ast.expr) else ():
            if isinstance(part, ast.Constant) and isinstance(part.value, str):
                with suppress(SyntaxError):  # Literal["two words"]
                    todo.append(ast.parse(part.value, mode="eval"))


class Uses:
    """Which names are used where."""

    def __init__(self, trees: dict[str, ast.Module]) -> None:
        self._trees = trees
        self._named: dict[str, dict[str, list[ast.Name]]] = {}
        """Module -> name -> where it stands there."""
        self._attributes: dict[str, list[ast.Attribute]] = {}
        self._given: dict[str, set[str]] = {}
        """Module -> names that others use of it."""
        for module, tree in trees.items():
            names = self._named.setdefault(module, {})
            for node in _walk(tree):
                if isinstance(node, ast.Name):
                    names.setdefault(node.id, []).append(node)
            taken = {
                (a.value.id, a.attr)
                for a in ast.walk(tree)
                if isinstance(a, ast.Attribute) and isinstance(a.value, ast.Name)
            }
            for node in ast.walk(tree):
                if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load):
                    self._attributes.setdefault(node.attr, []).append(node)
                elif isinstance(node, ast.ImportFrom):
                    for alias in node.names:
                        bound = alias.asname or alias.name
                        if bound in names:
                            self._give(node.module or "", alias.name)
                        for name, attribute in taken:
                            if name == bound:
                                self._give(f"{node.module}.{alias.name}", attribute)

    def _give(self, module: str, name: str) -> None:
        """Also where a package's ``__init__`` only hands the name on."""
        self._given.setdefault(module, set()).add(name)
        package = self._trees.get(f"{module}.__init__")
        for node in package.body if package is not None else ():
            if isinstance(node, ast.ImportFrom):
                for alias in node.names:
                    if (alias.asname or alias.name) == name:
                        self._give(node.module or "", alias.name)

    def of(self, module: str, name: str, node: ast.AST) -> bool:
        """Whether anything but itself uses it."""
        last = name.rpartition(".")[2]
        if name in self._given.get(module, ()):
            return True
        places = self._attributes if "." in name else self._named[module]
        inside = set(map(id, _walk(node)))
        return any(id(use) not in inside for use in places.get(last, ()))


def without_user(trees: dict[str, ast.Module]) -> list[str]:
    """What the modules of the package offer that nothing uses, sorted."""
    uses = Uses(trees)
    return sorted(
        f"{module}.{name}"
        for module, tree in trees.items()
        if module.startswith("assistant.")
        for name, node in public(tree)
        if not uses.of(module, name, node)
    )


def handed_on_for_nobody(trees: dict[str, ast.Module]) -> list[str]:
    """Names that a package takes from its own modules and that no one takes from it, sorted."""
    taken: set[str] = set()
    for name, tree in trees.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and name != f"{node.module}.__init__":
                taken |= {f"{node.module}.{alias.name}" for alias in node.names}
    packages = {
        name.removesuffix("__init__"): tree
        for name, tree in trees.items()
        if name.endswith(".__init__")
    }
    handed_on = {
        f"{package}{alias.asname or alias.name}"
        for package, tree in packages.items()
        for node in tree.body
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith(package)
        for alias in node.names
    }
    return sorted(handed_on - taken)


def commands(trees: dict[str, ast.Module]) -> list[str]:
    """The functions that the command line finds by name."""
    offered = {f"{module}.{name}" for module, tree in trees.items() for name, _ in public(tree)}
    return [
        name if (name := f"assistant.cli.{module}.{command}") in offered else f"{name}_"
        for command, module in cli._WHERE.items()
    ]


def test_all_that_is_public_has_a_user() -> None:
    trees = sources()
    called_by_name = commands(trees)
    unused = [name for name in without_user(trees) if name not in called_by_name]
    assert unused == sorted(WITHOUT_USER)
    assert handed_on_for_nobody(trees) == []


def parsed(**texts: str) -> dict[str, ast.Module]:
    return {f"assistant.{name}": ast.parse(text) for name, text in texts.items()}


@pytest.mark.parametrize(
    "user",
    [
        "from assistant.a import f\nf()",
        "from assistant.a import f as g\nx = [g]",
        "from assistant import a\na.f()",
        "from assistant import a as b\nb.f()",
        "from assistant.a import f\ndef _g(x: 'f | None'): ...",
    ],
)
def test_a_user_in_another_module_is_seen(user: str) -> None:
    assert without_user(parsed(a="def f(): ...", b=user)) == []


@pytest.mark.parametrize(
    ("text", "unused"),
    [
        ("def f(): ...", ["f"]),
        ("def f(): f()", ["f"]),  # calling itself is no use
        ("def f(): ...\nx = 1\nx.f = 2", ["f"]),
        ("def _f(): ...", []),
        ("def f(): ...\nf()", []),
        ("class C:\n    def m(self): self.m()\nC()", ["C.m"]),
        ("class C:\n    def m(self): ...\nC().m()", []),
        ("class C:\n    @field_validator('x')\n    def m(self): ...\nC()", []),
    ],
)
def test_what_nothing_uses_is_found(text: str, unused: list[str]) -> None:
    assert without_user(parsed(a=text, b="from assistant.a import f")) == [
        f"assistant.a.{name}" for name in unused
    ]


def test_a_package_hands_on_only_what_is_taken_from_it() -> None:
    trees = parsed(**{"p.__init__": "from assistant.p.m import f, g", "p.m": "def f(): ..."})
    assert handed_on_for_nobody(trees) == ["assistant.p.f", "assistant.p.g"]
    assert without_user(trees) == ["assistant.p.m.f"]
    trees |= parsed(b="from assistant.p import f\nf()")
    assert handed_on_for_nobody(trees) == ["assistant.p.g"]
    assert without_user(trees) == []
