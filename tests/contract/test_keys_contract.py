"""All that stands for Keys keeps its promises: those that ship and those of the tests."""

import os
import pty
import select
import sys
from collections.abc import Callable, Iterator

import pytest

from assistant.adapters.terminal import keys as keys_module
from assistant.adapters.terminal.keys import Keys, NoKeys
from tests.adapters.test_keys import Console
from tests.bench.test_turn_taking import World
from tests.contract.keys_contract import KeysContract, PressedKeysContract
from tests.fakes import Bench


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is needed")
class TestTerminalKeys(PressedKeysContract):
    @pytest.fixture
    def terminal(self, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[int, int]]:
        """A pseudo-terminal: our end and theirs, which is standard input."""
        ours, theirs = pty.openpty()
        with os.fdopen(theirs, "r") as stdin:
            monkeypatch.setattr(sys, "stdin", stdin)
            yield ours, theirs
        os.close(ours)

    @pytest.fixture
    def keys(self, terminal: tuple[int, int]) -> Iterator[Keys]:
        with Keys() as keys:
            yield keys

    @pytest.fixture
    def press(self, keys: Keys, terminal: tuple[int, int]) -> Callable[[], None]:
        ours, theirs = terminal

        def press() -> None:
            os.write(ours, b" ")
            select.select([theirs], [], [], 1)  # until it is through

        return press


class TestConsoleKeys(PressedKeysContract):
    """Windows; only msvcrt is a stand-in."""

    @pytest.fixture
    def console(self) -> Console:
        return Console("")

    @pytest.fixture
    def keys(self, console: Console, monkeypatch: pytest.MonkeyPatch) -> Keys:
        monkeypatch.setitem(sys.modules, "msvcrt", console)
        monkeypatch.setattr(keys_module.sys, "platform", "win32")
        monkeypatch.setattr(sys, "stdin", ConsoleInput())
        return Keys()

    @pytest.fixture
    def press(self, console: Console) -> Callable[[], None]:
        return lambda: console.typed.append(" ")


class ConsoleInput:
    def isatty(self) -> bool:
        return True


class TestNoKeys(KeysContract):
    @pytest.fixture
    def keys(self) -> NoKeys:
        return NoKeys()


class TestWorldKeys(PressedKeysContract):
    @pytest.fixture
    def keys(self, bench: Bench) -> World:
        return World(bench, [])

    @pytest.fixture
    def press(self, keys: World) -> Callable[[], None]:
        return lambda: setattr(keys, "key", "space")
