"""The rooms where the trade lives have no ``Any`` in a signature: mypy guards their events."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "assistant"


def _names_any(annotation: ast.expr | None) -> bool:
    if annotation is None:
        return False
    for node in ast.walk(annotation):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            if _names_any(ast.parse(node.value, mode="eval").body):
                return True
        elif getattr(node, "id", None) == "Any" or getattr(node, "attr", None) == "Any":
            return True
    return False


def signatures_with_any(source: str) -> list[str]:
    """Names of the functions of a module that name ``Any`` in an argument or as their result."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            of = node.args
            every = (*of.posonlyargs, *of.args, *of.kwonlyargs, of.vararg, of.kwarg)
            notes = [arg.annotation for arg in every if arg is not None]
            if any(map(_names_any, (*notes, node.returns))):
                found.append(node.name)
    return found


@pytest.mark.parametrize("room", ["bench", "language", "record"])
def test_no_signature_names_any(room: str) -> None:
    modules = sorted((ROOT / room).rglob("*.py"))
    assert len(modules) > 3
    found = {
        path.name: names
        for path in modules
        if (names := signatures_with_any(path.read_text("utf-8")))
    }
    assert found == {}


@pytest.mark.parametrize(
    ("source", "count"),
    [
        ("def f(a: Any): ...", 1),
        ("def f(*, a: 'dict[str, Any]'): ...", 1),
        ("def f(*a: typing.Any): ...", 1),
        ("class C:\n    async def f(self) -> tuple[Any, ...]: ...", 1),
        ("def f(a: object) -> Anyone: ...", 0),
    ],
)
def test_the_count_sees_every_place_of_a_signature(source: str, count: int) -> None:
    assert len(signatures_with_any(source)) == count
