"""Whole sessions by voice: a scripted person with simulated rings fits engines in a noisy room.

    python -m tests.benchmarks.bench_session                    six cylinders, top and second ring
    python -m tests.benchmarks.bench_session --cylinders 2 --snrs clean,10 --seeds 1 --lines s.jsonl

Everything but the room and the person is real: speech detector, endpointer, recogniser,
interpretation, turn-taking, dialogue, log on disk, voice (``tests/simulation``). Into the
microphone go the calls, the replies (as loud as the calls, with a tail of the room), talk between
the calls (6 dB under them), dropped tools, and noise; signal-to-noise ratio is the active speech
level over the noise's
mean. Bench truth (cut and feel spreads, leaf errors) as in ``shop.py``. Time is that of the room:
the person works fast (0.5 to 1.5 s between reply and call unless ``--gap`` says otherwise), so an
hour holds more calls than at a bench. Every read-back is listened to.

*right*: accepted with the true gap inside the window; *over*: true gap past the most; *under*:
accepted below the least. *tried again*: calls that came to nothing or to something else, of all
calls but repairs. *repairs*: "take that back", "no", "make that", "listen up", "what now" and "yes"
to what it had not surely heard. *asked back*: calls read back as a question for that.
*taken wrong*: calls taken for another one that had an effect, whether noticed or not.
*unnoticed*: entries that differ between what was meant and what stands in the log at the end.
*strangers*: turns with an effect that no call caused, an hour of room time.
Reply: true end of speech to the reply ready and on disk, without and with making its sound.
Intervals: Wilson, 95 %.
"""

import argparse
import itertools
import json
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

from assistant.adapters.files.job_file import read_job
from assistant.adapters.sound.speaker import VoiceSpeaker
from assistant.adapters.sound.wav_file import survey
from assistant.bench import events as ev
from assistant.build.words import load_grammar
from tests.benchmarks.intervals import wilson
from tests.benchmarks.noises import NOISES
from tests.benchmarks.shop import Engine, Scenario
from tests.simulation.bench_work import ends, job_text, person_for
from tests.simulation.room import Attempt, Room, Shop
from tests.simulation.voices import caller, levelled
from tests.simulation.whole import Session, play

CHECKOUT = Path(__file__).resolve().parents[2]
REPAIRS = ("undo", "listen", "amend")
COUNTED = ("rings", "right", "over", "under", "open", "calls", "again", "repairs", "wrong",
           "unnoticed", "strangers", "answered_talk", "talks", "tools", "cut_off", "asked",
           "said_yes")  # fmt: skip


def run_one(
    options: argparse.Namespace, voice: str, snr_db: float | None, seed: int
) -> dict[str, Any]:
    """One session; its counts as plain data."""
    scenario = Scenario("session", butting=0.1, start=(4.0, 12.0))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "osprey.toml")
        path.write_text(job_text(options.cylinders), encoding="utf-8")
        job, grammar = read_job(path), load_grammar()
        engine = Engine(scenario, np.random.default_rng(seed))
        person = person_for(job, grammar, engine, seed=seed)
        shop = Shop(
            noise=options.noise, snr_db=snr_db, talk=options.talk, tools=options.tools,
            longest_s=options.longest_s, gap_s=options.gap,
        )  # fmt: skip
        clips = sorted((CHECKOUT / "sample_audio/talk").glob("*.wav"))
        talk = [levelled(survey(clip).samples().astype(np.float64)) for clip in clips]
        bench_voice = VoiceSpeaker(words_per_minute=options.reply_speed)
        room = Room(shop, person, caller(voice), bench_voice.sound, talk=talk, seed=seed)
        began, cpu = time.perf_counter(), time.process_time()
        played = play(path, person, room, grammar)
        found = counts(played, job)
    found |= {
        "voice": voice, "snr": "clean" if snr_db is None else f"{snr_db:g}", "seed": seed,
        "noise": options.noise, "finished": person.finished,
        "wall_s": round(time.perf_counter() - began, 1),
        "cpu_s": round(time.process_time() - cpu, 1),
    }  # fmt: skip
    return found


def counts(played: Session, job: Any) -> dict[str, Any]:
    """What is counted of one session."""
    attempts = played.room.attempts
    failed, lost_s = trouble(attempts, played.room.now_s)
    rings = ends(played.person, job)
    refused = [t for t in played.taken if t.attempt is None and t.turn.refused is not None]
    own = [t for t in played.taken if t.reply_s is not None and t.turn.refused is None]
    return {
        "rings": len(rings),
        **{end: list(rings.values()).count(end) for end in ("right", "over", "under", "open")},
        "calls": sum(not is_repair(a) for a in attempts),
        "again": failed,
        "repairs": sum(is_repair(a) for a in attempts),
        "wrong": sum(t.wrong for t in played.taken),
        "unnoticed": sum(len(rows) for rows in played.unnoticed().values()),
        "unnoticed_rows": {str(k): v for k, v in played.unnoticed().items()},
        "strangers": len(played.strangers),
        "stranger_words": [" ".join(t.turn.call.heard.words) for t in played.strangers],
        "wrong_calls": [
            [t.attempt.meant.words, " ".join(t.turn.call.heard.words)]
            for t in played.taken if t.wrong and t.attempt is not None
        ],
        "refused_calls": [
            [t.attempt.meant.words, " ".join(t.turn.call.heard.words), t.turn.refused]
            for t in played.taken if t.turn.refused is not None and t.attempt is not None
        ],
        "unheard_calls": [
            a.meant.words for a in attempts if not any(t.attempt is a for t in played.taken)
        ],
        "answered_talk": sum(bool(t.turn.reply) for t in refused),
        "talks": len(played.room.talk_s),
        "tools": played.room.tools,
        "cut_off": played.person.cut_off,
        "asked": sum(
            isinstance(event, ev.QuestionAsked) and event.about == "misheard"
            for t in played.taken for event in t.turn.events
        ),
        "said_yes": sum(a.meant.words == "yes" and a.meant.extra for a in attempts),
        "room_s": round(played.room.now_s, 1),
        "lost_s": round(lost_s, 1),
        "reply_s": [round(t.reply_s, 3) for t in own if t.reply_s is not None],
        "voiced_s": [round(t.reply_s + t.voice_s, 3) for t in own if t.reply_s is not None],
    }  # fmt: skip


def is_repair(attempt: Attempt) -> bool:
    """Whether a call was needed only because another one had gone wrong, and is no repetition."""
    meant = attempt.meant
    return meant.kind in REPAIRS or (meant.extra and meant.tries == 0)


def trouble(attempts: Sequence[Attempt], end_s: float) -> tuple[int, float]:
    """(calls that had to be made again, seconds spent on them and on repairs).

    The time of a call goes from the end of the reply before to that of its own.
    """
    failed, lost_s = 0, 0.0
    ends_s = [*(a.begun_s for a in attempts[1:]), end_s]
    for at, attempt in enumerate(attempts):
        repair = is_repair(attempt)
        retried = any(
            later.meant.words == attempt.meant.words
            and later.meant.tries == attempt.meant.tries + 1
            for later in attempts[at + 1 : at + 8]
        )
        failed += retried and not repair
        if retried or repair:
            lost_s += ends_s[at] - attempt.begun_s
    return failed, lost_s


def share(hits: int, count: int) -> str:
    """A share with its interval."""
    if not count:
        return "-"
    if hits > count:
        return f"{hits} in {count}"
    low, high = wilson(hits, count)
    return f"{hits} of {count}, {hits / count:.1%} ({low:.1%}-{high:.1%})"


def table(rows: Sequence[dict[str, Any]]) -> Table:
    """One column a condition, all voices and seeds together."""
    shown = Table("", title="whole sessions")
    groups = [
        (snr, list(group))
        for snr, group in itertools.groupby(
            sorted(rows, key=lambda row: str(row["snr"])), key=lambda row: str(row["snr"])
        )
    ]
    groups.sort(key=lambda item: -float("inf" if item[0] == "clean" else item[0]))
    for snr, _ in groups:
        shown.add_column(snr if snr == "clean" else f"{snr} dB")
    lines: dict[str, list[str]] = {}
    for _, group in groups:
        total = {name: sum(row.get(name, 0) for row in group) for name in COUNTED}
        room_s, lost_s = (sum(row[name] for row in group) for name in ("room_s", "lost_s"))
        reply, voiced = (
            np.array([s for row in group for s in row[name]] or [np.nan])
            for name in ("reply_s", "voiced_s")
        )
        cells = {
            "sessions, ended": f"{len(group)}, {sum(row['finished'] for row in group)}",
            "hours in the room": f"{room_s / 3600:.2f}",
            "rings right": share(total["right"], total["rings"]),
            "rings over": share(total["over"], total["rings"]),
            "rings under": share(total["under"], total["rings"]),
            "tried again": share(total["again"], total["calls"]),
            "repairs": str(total["repairs"]),
            "asked back, yes": f"{total['asked']}, {total['said_yes']}",
            "taken wrong": share(total["wrong"], total["calls"]),
            "unnoticed": share(total["unnoticed"], total["calls"]),
            "time lost": f"{lost_s / room_s:.1%}",
            "talk clips, tools": f"{total['talks']}, {total['tools']}",
            "strangers, an hour": f"{total['strangers']}, {total['strangers'] / room_s * 3600:.1f}",
            "talk answered": str(total["answered_talk"]),
            "ended unasked": str(total["cut_off"]),
            "reply s p50 / p95": "{:.2f} / {:.2f}".format(*np.percentile(reply, [50, 95])),
            "with its sound": "{:.2f} / {:.2f}".format(*np.percentile(voiced, [50, 95])),
        }
        for name, cell in cells.items():
            lines.setdefault(name, []).append(cell)
    for name, line in lines.items():
        shown.add_row(name, *line)
    return shown


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the sessions; the table goes to standard output, a line a session to standard error."""
    options = _options(arguments)
    if options.table is not None:
        lines = options.table.read_text(encoding="utf-8").splitlines()
        Console(width=160).print(table([json.loads(line) for line in lines]))
        return
    rows: list[dict[str, Any]] = []
    for seed in range(1, options.seeds + 1):
        for snr in options.snrs:
            for voice in options.voices:
                snr_db = None if snr == "clean" else float(snr)
                row = run_one(options, voice, snr_db, seed)
                rows.append(row)
                brief = {name: row[name] for name in (*COUNTED, "room_s", "lost_s", "cpu_s")}
                print(voice, snr, seed, brief, file=sys.stderr, flush=True)
                if options.lines is not None:
                    with options.lines.open("a", encoding="utf-8") as file:
                        file.write(json.dumps(row) + "\n")
    Console(width=160).print(table(rows))


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    def listed(text: str) -> list[str]:
        return [part.strip() for part in text.split(",") if part.strip()]

    def seconds(text: str) -> tuple[float, float]:
        shortest, longest = (float(part) for part in listed(text))
        return shortest, longest

    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cylinders", type=int, default=6)
    parser.add_argument("--voices", type=listed, default=["en-us+f3", "flite:slt"])
    parser.add_argument("--snrs", type=listed, default=["clean", "20", "10", "5"])
    parser.add_argument("--noise", choices=NOISES, default="shop")
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--talk", type=float, default=0.2, help="talk clips a call")
    parser.add_argument("--tools", type=float, default=0.1, help="dropped tools a call")
    parser.add_argument(
        "--gap", type=seconds, default=(0.5, 1.5), help="between reply and call, s: least,most"
    )
    parser.add_argument("--reply-speed", type=int, default=170, help="words a minute")
    parser.add_argument("--longest-s", type=float, default=5400.0, help="a session, room time")
    parser.add_argument("--lines", type=Path, help="append one JSON object a session here")
    parser.add_argument("--table", type=Path, help="run nothing: the table of such a file")
    return parser.parse_args(arguments)


if __name__ == "__main__":
    main()
