"""Keeps what was learned of grinders and people between jobs: one small JSON file per machine."""

import os
from collections.abc import Mapping
from pathlib import Path

import platformdirs
from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from assistant.adapters.files.whole_file import write_whole
from assistant.bench.learned import Learned
from assistant.errors import LearnedError

FORM = 2
"""Form 1, without ``v``, was the entries alone; what it lacks of a ``Learned`` is assumed."""


class _Form(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")

    v: int


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    v: int = FORM
    learned: Mapping[str, Learned]


_ANY_FORM = TypeAdapter(_Form | dict[str, Learned])


def usual_path() -> Path:
    """The file in this user's data folder; LEAFCALL_HOME names another folder."""
    home = os.environ.get("LEAFCALL_HOME")
    folder = Path(home) if home else platformdirs.user_data_path("leafcall", appauthor=False)
    return folder / "learned.json"


class LearnedFile:
    """Learned values by key, a person and a kind of tool in words."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> dict[str, Learned]:
        """All entries; none if there is no file yet. Raises LearnedError."""
        try:
            return self._entries(self.path.read_bytes())
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise LearnedError(f"{self.path} cannot be read: {error.strerror}.") from error
        except ValidationError as error:
            raise LearnedError(
                f"{self.path} does not hold learned values ({error.errors()[0]['msg']}): "
                "erase it with 'leafcall learned --forget'."
            ) from error

    def _entries(self, data: bytes) -> dict[str, Learned]:
        form = _ANY_FORM.validate_json(data)
        if not isinstance(form, _Form):
            return form
        if form.v > FORM:
            raise LearnedError(
                f"{self.path} was written by a newer Leafcall (form {form.v}): use that one, or "
                "erase it with 'leafcall learned --forget'."
            )
        return dict(_Kept.model_validate_json(data).learned)

    def keep(self, key: str, learned: Learned) -> None:
        """Keep an entry, the others as they are; the whole file or nothing. Raises LearnedError."""
        self._write({**self.read(), key: learned})

    def forget(self, key: str | None = None) -> None:
        """Erase one entry, or everything. Raises LearnedError, also if there is no such entry."""
        if key is not None:
            entries = self.read()
            if key not in entries:
                there = ", ".join(repr(other) for other in entries) or "nothing"
                raise LearnedError(f"Nothing is learned of {key!r}; there is: {there}.")
            self._write({other: known for other, known in entries.items() if other != key})
            return
        try:
            self.path.unlink(missing_ok=True)
        except OSError as error:
            raise LearnedError(f"{self.path} cannot be erased: {error.strerror}.") from error

    def _write(self, entries: dict[str, Learned]) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            kept = _Kept(learned=entries).model_dump_json(indent=1)
            write_whole(self.path, kept.encode("utf-8"))
        except OSError as error:
            raise LearnedError(f"{self.path} cannot be written: {error.strerror}.") from error
