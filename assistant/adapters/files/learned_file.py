"""Keeps what was learned of grinders and people between jobs: one small JSON file per machine."""

import os
from collections.abc import Mapping
from pathlib import Path

import platformdirs
from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from assistant.adapters.files.whole_file import write_whole
from assistant.bench.learned import Learned, PersonAndTool
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
    """Learned values of each person with a kind of tool, by its text."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> dict[PersonAndTool, Learned]:
        """All entries; none if there is no file yet. Raises LearnedError."""
        try:
            entries = self._entries(self.path.read_bytes())
            return {PersonAndTool.read(text): learned for text, learned in entries.items()}
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise LearnedError(f"{self.path} cannot be read: {error.strerror}.") from error
        except ValidationError as error:
            raise self._unfit(error.errors()[0]["msg"]) from error
        except ValueError as error:
            raise self._unfit(str(error)) from error

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

    def _unfit(self, why: str) -> LearnedError:
        return LearnedError(
            f"{self.path} does not hold learned values ({why}): "
            "erase it with 'leafcall learned --forget'."
        )

    def keep(self, key: PersonAndTool, learned: Learned) -> None:
        """Keep an entry, the others as they are; the whole file or nothing. Raises LearnedError."""
        self._write({**self.read(), key: learned})

    def forget(self, name: str | None = None) -> None:
        """Erase one entry, by its text, or everything.

        Raises LearnedError, also if there is no such entry.
        """
        if name is not None:
            entries = self.read()
            left = {key: known for key, known in entries.items() if str(key) != name}
            if len(left) == len(entries):
                there = ", ".join(repr(str(key)) for key in entries) or "nothing"
                raise LearnedError(f"Nothing is learned of {name!r}; there is: {there}.")
            self._write(left)
            return
        try:
            self.path.unlink(missing_ok=True)
        except OSError as error:
            raise LearnedError(f"{self.path} cannot be erased: {error.strerror}.") from error

    def _write(self, entries: dict[PersonAndTool, Learned]) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            named = {str(key): learned for key, learned in entries.items()}
            kept = _Kept(learned=named).model_dump_json(indent=1)
            write_whole(self.path, kept.encode("utf-8"))
        except OSError as error:
            raise LearnedError(f"{self.path} cannot be written: {error.strerror}.") from error
