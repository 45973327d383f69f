"""Kills typed sessions with SIGKILL again and again, and looks for what was confirmed and is gone.

    python -m tests.kill_rounds FOLDER [--rounds 200] [--seed 1] [--careless]

Each round forks a child that goes on with the same log and tells through a pipe what it has shown
and said. The parent kills it at a random moment and compares. Prints one JSON object. --careless:
a store that writes only every third call, to see that loss would be noticed.
"""

import argparse
import json
import os
import random
import select
import signal
import sys
from collections.abc import Sequence
from itertools import cycle
from pathlib import Path
from time import monotonic
from typing import Any

from assistant.adapters.files.data_files import grammar_texts
from assistant.adapters.files.session_log import SessionLog, read_log
from assistant.bench.dialogue import Call, Dialogue, Turn
from assistant.bench.events import Envelope, ReplyGiven
from assistant.bench.session import replay
from assistant.bench.wording import Wording
from assistant.ear.utterance import Heard, Hypothesis
from assistant.language.grammar import Grammar
from assistant.language.grammar_files import REPLIES_FILE
from tests.fakes import FakeClock, FakeSpeaker, small_job

ROOT = Path(__file__).resolve().parent.parent
LIFE_S = 0.06
"""A child lives at most so long after it was seen to work."""
OF_ONE_LOG = 10
CALLS = (
    "top ring", "ten goes eleven no go", "what now", "ground three", "ground one", "deburred",
    "ends are square", "take that back", "note", "the blue rag", "banana", "skip this ring",
    "cylinder two second ring fifteen goes sixteen snug", "yes", "next ring", "where am i",
)  # fmt: skip


class Careless:
    """A store that keeps calls back."""

    def __init__(self, log: SessionLog) -> None:
        self._log, self._waiting, self._calls = log, list[Envelope](), 0

    def append(self, events: Sequence[Envelope]) -> None:
        self._waiting += events
        self._calls += 1
        if self._calls % 3 == 0:
            self._log.append(self._waiting)
            self._waiting = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._log, name)


def child(path: Path, pipe: int, grammar: Grammar, wording: Wording, careless: bool) -> None:
    """Fit rings for ever; each confirmation is one line into the pipe."""

    class Speaker(FakeSpeaker):
        def say(self, text: str, **more: Any) -> None:
            super().say(text, **more)
            tell("said", text)

    def tell(how: str, text: str) -> None:
        os.write(pipe, (json.dumps([how, dialogue.state.turn, text]) + "\n").encode())

    def show(turn: Turn) -> None:
        tell("shown", turn.reply.spoken)

    log = SessionLog(path)
    state = replay(log.read())
    dialogue = Dialogue(
        store=Careless(log) if careless else log, clock=FakeClock(), grammar=grammar,
        wording=wording, speaker=Speaker(), show=show, state=state,
    )  # fmt: skip
    dialogue.open(small_job(), software="leafcall test")
    for line in cycle(CALLS):
        heard = Heard((Hypothesis(grammar.words_of(line), 1.0),), 1.0)
        dialogue.take(Call(heard, source="keyboard", typed=True))


def killed_round(
    path: Path, after_s: float, made: tuple[Grammar, Wording], careless: bool
) -> bytes:
    """What one child confirmed before it was killed, ``after_s`` after its first confirmation.

    A negative time: so long after it was forked, whether it works already or not.
    """
    sight, pipe = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            child(path, pipe, *made, careless)
        finally:
            os._exit(70)  # it never ends by itself
    os.close(pipe)
    told, end = b"", monotonic() - after_s if after_s < 0 else None
    while end is None or monotonic() < end:
        wait_s = 60.0 if end is None else end - monotonic()
        if select.select([sight], [], [], max(wait_s, 0))[0]:
            more = os.read(sight, 65536)
            if not more:
                break
            told += more
            end = monotonic() + after_s if end is None else end
    os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    if os.WIFEXITED(status):
        sys.exit("a child ended by itself")
    while more := os.read(sight, 65536):
        told += more
    os.close(sight)
    return told


def run(folder: Path, *, rounds: int, seed: int, careless: bool) -> dict[str, int]:
    """Kill so many children; what came of it."""
    texts = grammar_texts(ROOT / "grammar")
    grammar = Grammar(texts)
    made = grammar, Wording(texts[REPLIES_FILE], grammar.numbers)
    rng = random.Random(seed)
    counts = ("rounds", "confirmed", "lost", "torn", "half", "rewritten", "calls")
    found = dict.fromkeys(counts, 0)
    confirmed: list[tuple[int, str]] = []
    before = b""
    for number in range(rounds):
        path = folder / f"{number // OF_ONE_LOG:03d}" / "log.jsonl"
        if number % OF_ONE_LOG == 0:
            confirmed, before = [], b""
        # One in five is killed while it opens the log.
        after_s = -rng.uniform(0, 0.02) if number % 5 == 0 else rng.uniform(0, LIFE_S)
        told = killed_round(path, after_s, made, careless)
        for line in told.split(b"\n")[:-1]:
            _, turn, text = json.loads(line)
            confirmed.append((turn, text))
            found["confirmed"] += 1
        data = path.read_bytes() if path.exists() else b""
        found["rewritten"] += not data.startswith(before)
        found["torn"] += bool(data) and not data.endswith(b"\n")
        events = read_log(path) if path.exists() else []
        there = {(e.turn, e.event.text) for e in events if isinstance(e.event, ReplyGiven)}
        turns = {e.turn for e in events}
        for turn, text in confirmed:
            found["lost"] += (turn, text) not in there if text else turn not in turns
        whole = b'"end":true' in data[data.rfind(b'{"v":2') :] if events else True
        found["half"] += data.endswith(b"\n") and not whole
        before = data[: data.rfind(b"\n") + 1] if whole else b""
        found["rounds"] += 1
        found["calls"] += len(turns)
    return found


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--careless", action="store_true")
    asked = parser.parse_args()
    done = run(asked.folder, rounds=asked.rounds, seed=asked.seed, careless=asked.careless)
    print(json.dumps(done))  # noqa: T201
