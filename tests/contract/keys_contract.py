"""What all keys promise; test_keys_contract.py says how to open each."""

from collections.abc import Callable

import pytest

from assistant.bench.ports import Keys


class KeysContract:
    """Subclasses give ``keys``."""

    @pytest.fixture
    def keys(self) -> Keys:
        raise NotImplementedError

    def test_where_none_is_pressed_there_is_none(self, keys: Keys) -> None:
        assert [keys.pressed() for _ in range(3)] == [None] * 3


class PressedKeysContract(KeysContract):
    """Of keys that somebody can press. Subclasses give ``press``: the space bar, as a pedal is."""

    @pytest.fixture
    def press(self, keys: Keys) -> Callable[[], None]:
        raise NotImplementedError

    def test_a_key_is_told_once_by_its_name(self, keys: Keys, press: Callable[[], None]) -> None:
        press()
        assert keys.pressed() == "space"
        assert keys.pressed() is None

    def test_it_can_be_pressed_again_and_again(self, keys: Keys, press: Callable[[], None]) -> None:
        for _ in range(3):
            press()
            assert keys.pressed() == "space"
        assert keys.pressed() is None

    def test_pressed_in_haste_it_is_told_and_then_there_are_none(
        self, keys: Keys, press: Callable[[], None]
    ) -> None:
        press()
        press()
        told = list(iter(keys.pressed, None))
        assert set(told) == {"space"}
        assert keys.pressed() is None
