"""The store of the tests keeps the promises of an event store."""

from collections.abc import Callable

import pytest

from assistant.bench.events import Envelope
from assistant.bench.ports import EventStore
from assistant.errors import LogError
from tests.contract.event_store_contract import EventStoreContract, events
from tests.fakes import MemoryStore


class TestMemoryStore(EventStoreContract):
    @pytest.fixture
    def open_store(self) -> Callable[[], EventStore]:
        kept: list[Envelope] = []

        def open_again() -> MemoryStore:
            store = MemoryStore()
            store.events = kept
            return store

        return open_again

    def test_a_full_store_keeps_what_it_held(self) -> None:
        store = MemoryStore(events(0, 2))
        store.full = True
        with pytest.raises(LogError, match="No space left"):
            store.append(events(2, 1))
        assert list(store.read()) == events(0, 2)
