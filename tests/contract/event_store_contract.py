"""What every event store promises; each backend has a thin file that says how to open it."""

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from assistant.bench.events import Envelope, ReplyGiven, SessionOpened, envelope
from assistant.bench.ports import EventStore
from assistant.errors import LogError
from tests.fakes import START, small_job, stored


def events(first: int, count: int) -> list[Envelope]:
    """Events with the sequence numbers first, first + 1 ..."""
    return [
        envelope(ReplyGiven(text=f"größer \u2028 {n}\n"), seq=n, at=START, turn=n)
        for n in range(first, first + count)
    ]


class EventStoreContract:
    """Subclasses give ``open_store``: opens the same store again and again."""

    @pytest.fixture
    def open_store(self) -> Callable[[], EventStore]:
        raise NotImplementedError

    @pytest.fixture
    def store(self, open_store: Callable[[], EventStore]) -> Any:
        opened = open_store()
        yield opened
        opened.close()

    def test_a_new_store_is_empty(self, store: EventStore) -> None:
        assert list(store.read()) == []

    def test_events_come_back_whole_and_in_order(self, store: EventStore) -> None:
        store.append(events(0, 3))
        store.append(events(3, 1))
        assert list(store.read()) == events(0, 4)

    def test_while_all_is_well_it_has_no_trouble_and_all_is_on_disk(
        self, store: EventStore
    ) -> None:
        store.append(events(0, 2))
        assert list(store.troubles()) == []
        assert store.only_in_memory is False

    def test_nothing_appended_changes_nothing(self, store: EventStore) -> None:
        store.append(events(0, 2))
        store.append([])
        assert list(store.read()) == events(0, 2)

    def test_a_whole_job_comes_back(self, store: EventStore) -> None:
        opened = stored([SessionOpened(job=small_job(bores_nm={2: (101_600_000,)}), software="x")])
        store.append(opened)
        assert list(store.read()) == opened

    def test_it_can_be_read_while_it_is_written(self, store: EventStore) -> None:
        for n in range(3):
            store.append(events(n, 1))
            assert len(store.read()) == n + 1

    def test_what_was_read_does_not_change_afterwards(self, store: EventStore) -> None:
        store.append(events(0, 1))
        read: Sequence[Envelope] = store.read()
        store.append(events(1, 1))
        assert list(read) == events(0, 1)

    def test_close_twice_does_no_harm_and_writing_after_it_is_refused(
        self, store: EventStore
    ) -> None:
        store.append(events(0, 1))
        store.close()
        store.close()
        with pytest.raises(LogError, match="closed"):
            store.append(events(1, 1))

    def test_it_goes_on_where_it_was_left(self, open_store: Callable[[], EventStore]) -> None:
        first = open_store()
        first.append(events(0, 2))
        first.close()
        second = open_store()
        second.append(events(2, 2))
        assert list(second.read()) == events(0, 4)
        second.close()
