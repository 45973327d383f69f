"""How well an ear hears: tables and a plot out of the records of ``ear_records``.

    python -m tests.benchmarks.bench_ear                            the development clips
    python -m tests.benchmarks.bench_ear --by noise,snr_db,echo_s   other rows
    python -m tests.benchmarks.bench_ear --left-out --plot ear.png  each voice judged by numbers
                                                                    that were fitted without it

Of calls: *words* = every word right; *before* = everything heard that is a sentence is taken, right
or wrong by its meaning; *taken* = by its sound, as ``interpretation.refused_by_ear`` has it: right,
wrong (of these by number alone) or asked again; *at the bench* = the same calls told to a bench in
the state that the call was made for (group session) and that knows how loud calls are: right,
wrong. Of talk and noise: commands taken, an hour of sound, by sound and at a bench in the state of
some session. Calls are as loud as usual at ``--gains`` 0 of ``ear_records``.

Intervals, 95 %: of shares Wilson's score interval, of rates the exact one of a Poisson count.
Time: processor seconds a second of sound; *reply* = from the end of speech of the clean clip to the
result, waiting for quiet included (50th, 95th percentile of calls that were taken).
"""

import argparse
import json
import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from zlib import crc32

import numpy as np
from rich.console import Console
from rich.table import Table

from assistant.adapters.files.data_files import shipped
from assistant.adapters.recognisers.own_model import assurance_data
from assistant.bench.interpretation import Understood, interpret, refused_by_ear
from assistant.bench.session import State
from assistant.build.ears import OWN_MODEL
from assistant.build.words import load_wording
from assistant.ear.call_confidence import Weights, is_after_talk, is_talk, sure_of, weights_from
from assistant.ear.utterance import Evidence, Heard, Hypothesis
from assistant.language.grammar import Parsed
from tests.benchmarks.dev_clips import SESSION_SEED, SHARES
from tests.benchmarks.dev_texts import session_calls
from tests.benchmarks.ear_records import Record, Uttered, default_records, grammar, read_records
from tests.benchmarks.intervals import poisson, wilson

NOTHING, RIGHT, NUMBER, OTHER = "asked again", "right", "other number", "other command"
WeightsOf = Callable[[Record], Weights | None]


@dataclass(frozen=True)
class Judged:
    """A record and what came of it: before the assurance, by sound, at the bench (None: no state).

    Each one of NOTHING, RIGHT, NUMBER, OTHER; of talk NOTHING or OTHER. counts: utterances that
    were taken in each of the three.
    """

    record: Record
    words: bool
    before: str
    taken: str
    bench: str | None
    counts: tuple[int, int, int]


def heard_of(
    uttered: Uttered, weights: Weights | None, usual_db: float | None = None, *,
    talk_until_s: float = -math.inf,
) -> Heard:  # fmt: skip
    """What the recogniser gave, judged by ``weights`` (None: by its own score).

    usual_db: level of the voice in calls; None: not known. talk_until_s: when the last talk ended.
    """
    ways = tuple(Hypothesis(tuple(words.split()), share) for words, share in uttered.hypotheses)
    evidence = None if uttered.margin is None else Evidence(uttered.margin)
    heard = Heard(ways, uttered.score, evidence=evidence, sure_from=uttered.sure_from)
    if weights is None or not uttered.facts or not uttered.score:  # 0: impossibly slow
        return heard
    far_db = 0.0 if usual_db is None else max(0.0, usual_db - uttered.level_db)
    after_talk = is_after_talk(uttered.start_s, talk_until_s)
    return sure_of(heard, uttered.facts, weights, far_db=far_db, after_talk=after_talk)


def heard_in_turn(record: Record, weights: Weights | None, usual_db: float | None) -> list[Heard]:
    """All utterances of a record as ``assurance.Judge`` scores them one after another."""
    found, talk_until_s = [], -math.inf
    for uttered in record.utterances:
        heard = heard_of(uttered, weights, usual_db, talk_until_s=talk_until_s)
        if is_talk(heard):
            talk_until_s = uttered.end_s
        found.append(heard)
    return found


def usual_levels(records: Sequence[Record]) -> dict[str, float]:
    """How loud the calls of each voice are, turned up or down by nothing; "": those of all."""
    found: dict[str, list[float]] = {"": []}
    for record in records:
        if record.is_call:
            for uttered in record.utterances:
                for voice in ("", record.voice):
                    found.setdefault(voice, []).append(uttered.level_db - record.gain_db)
    return {voice: float(np.median(levels)) for voice, levels in found.items() if levels}


@cache
def _states() -> list[State]:
    count = sum(share[0] for share in SHARES.values())
    calls = session_calls(grammar(), load_wording(grammar()), SESSION_SEED, count)
    return [call.state for call in calls]


def _state(record: Record) -> State | None:
    """That of the bench before a call; of talk: some one of them, by the clip's name."""
    if record.group == "session":
        return _states()[int(record.clip.rsplit("-", 1)[1])]
    return None if record.is_call else _states()[crc32(record.clip.encode()) % len(_states())]


def means(words: tuple[str, ...], said: str) -> bool:
    """Whether ``words`` mean what was said."""
    meaning = grammar().meaning
    return meaning(words) == meaning(tuple(said.split()))


def judge(record: Record, weights: Weights | None, usual_db: float | None = None) -> Judged:
    """What came of a record. usual_db: how loud calls are at this bench."""
    wanted = grammar().parse(record.said.split()) if record.is_call else None
    state = _state(record)
    before, taken, bench = [], [], []
    alone, at_work = (heard_in_turn(record, weights, level) for level in (None, usual_db))
    for heard, known in zip(alone, at_work, strict=True):
        parsed = grammar().parse(heard.words)
        if parsed is None:
            continue
        before.append(parsed)
        if refused_by_ear(heard, grammar()) is None:
            taken.append(parsed)
        found = None if state is None else interpret(known, grammar(), state)
        if isinstance(found, Understood):
            bench.append(found.parsed)
    words = " ".join(word for uttered in record.utterances for word in uttered.words)
    at_bench = None if state is None else verdict(bench, wanted)
    return Judged(record, words == record.said, verdict(before, wanted), verdict(taken, wanted),
                  at_bench, (len(before), len(taken), len(bench)))  # fmt: skip


def verdict(parts: Sequence[Parsed], wanted: Parsed | None) -> str:
    """What the utterances of one clip that were taken come to; wanted: the call that was said.

    A call that was cut in two is right if its parts say it together, and is to be said again if
    only its beginning was taken.
    """
    if wanted is None or not parts:
        return OTHER if parts else NOTHING
    told = [(slot.name, slot.value) for part in parts for slot in part.slots]
    said = [(slot.name, slot.value) for slot in wanted.slots]
    if told == said and (len(parts) > 1 or parts[0].command == wanted.command):
        return RIGHT if all(part.slots for part in parts) or len(parts) == 1 else OTHER
    if told and told == said[: len(told)] and all(part.slots for part in parts):
        return NOTHING
    return NUMBER if {part.command for part in parts} == {wanted.command} else OTHER


def _share(hits: int, count: int) -> str:
    if not count:
        return "-"
    low, high = wilson(hits, count)
    return f"{hits / count:.1%} ({100 * low:.3g}-{100 * high:.3g})"


def _right_wrong(verdicts: Sequence[str]) -> str:
    wrong = sum(v in (NUMBER, OTHER) for v in verdicts)
    count = len(verdicts)
    return (
        f"{100 * verdicts.count(RIGHT) / count:.1f} / {100 * wrong / count:.1f}" if count else "-"
    )


def _rate(count: int, hours: float) -> str:
    low, high = poisson(count)
    return f"{count}: {count / hours:.2g} ({low / hours:.1g}-{high / hours:.2g})"


CALL_COLUMNS = ("calls", "words", "before", "right, taken", "wrong, taken", "by number", "asked",
                "session", "at the bench", "wrong there", "x real", "reply s", "MB")  # fmt: skip
TALK_COLUMNS = ("clips", "hours", "before, an hour", "taken, an hour", "at the bench", "x real")


def call_row(judged: Sequence[Judged]) -> list[str]:
    """Figures of some calls, as in CALL_COLUMNS."""
    count = len(judged)
    taken = [j.taken for j in judged]
    wrong = sum(v in (NUMBER, OTHER) for v in taken)
    at_bench = [j.bench for j in judged if j.bench is not None]
    wrong_there = sum(v in (NUMBER, OTHER) for v in at_bench)
    replies = [
        j.record.utterances[-1].decided_s + j.record.utterances[-1].final_s - j.record.end_s
        for j in judged
        if j.taken != NOTHING
    ]
    reply = np.percentile(replies, [50, 95]) if replies else (math.nan, math.nan)
    return [
        str(count),
        _share(sum(j.words for j in judged), count),
        _right_wrong([j.before for j in judged]),
        _share(taken.count(RIGHT), count),
        _share(wrong, count),
        f"{taken.count(NUMBER)} of {wrong}",
        f"{taken.count(NOTHING) / count:.1%}",
        str(len(at_bench)),
        _share(at_bench.count(RIGHT), len(at_bench)),
        _share(wrong_there, len(at_bench)),
        _pace(judged),
        f"{reply[0]:.2f} / {reply[1]:.2f}",
        f"{max(j.record.peak_mb for j in judged):.0f}",
    ]


def talk_row(judged: Sequence[Judged]) -> list[str]:
    """Figures of some talk, as in TALK_COLUMNS."""
    hours = sum(j.record.audio_s for j in judged) / 3600
    counts = [sum(kind) for kind in zip(*(j.counts for j in judged), strict=True)]
    return [str(len(judged)), f"{hours:.2f}", *(_rate(n, hours) for n in counts), _pace(judged)]


def _pace(judged: Sequence[Judged]) -> str:
    audio_s = sum(j.record.audio_s for j in judged)
    return f"{sum(j.record.cpu_s for j in judged) / audio_s:.3f}"


def grouped(judged: Iterable[Judged], by: Sequence[str]) -> dict[tuple[str, ...], list[Judged]]:
    """By fields of the record, in their order; no noise comes first, then the quietest."""
    found: dict[tuple[str, ...], list[Judged]] = defaultdict(list)

    def order(j: Judged) -> list[tuple[bool, object]]:
        values = [getattr(j.record, name) for name in by]
        return [
            (value is not None and value != "clean", -value if isinstance(value, float) else value)
            for value in values
        ]

    for j in sorted(judged, key=order):
        values = (getattr(j.record, name) for name in by)
        found[tuple("-" if v is None else f"{v:g}" if isinstance(v, float) else str(v)
                    for v in values)].append(j)  # fmt: skip
    return dict(found)


def show(console: Console, judged: Sequence[Judged], by: Sequence[str], *, total: bool) -> None:
    """The two tables."""
    for title, columns, row, part in (
        ("calls", CALL_COLUMNS, call_row, [j for j in judged if j.record.is_call]),
        ("talk and noise", TALK_COLUMNS, talk_row, [j for j in judged if not j.record.is_call]),
    ):
        if part:
            table = Table(*by, *columns, title=title)
            for name, group in grouped(part, by).items():
                table.add_row(*name, *row(group))
            if total:
                table.add_row(*["all"] * len(by), *row(part))
            console.print(table)


def plot(judged: Sequence[Judged], path: Path) -> None:
    """Right and wrong of the calls taken, against the noise; bars: 95 %."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(1, 2, figsize=(10, 4), sharex=True)
    calls = [j for j in judged if j.record.is_call]
    for name, group in grouped(calls, ("ear", "noise")).items():
        points = [
            (40.0 if level == "-" else float(level), part)
            for (level,), part in grouped(group, ("snr_db",)).items()
        ]
        for axis, kinds in zip(axes, ((RIGHT,), (NUMBER, OTHER)), strict=True):
            hits = [sum(j.taken in kinds for j in part) for _, part in points]
            shares = [n / len(part) for n, (_, part) in zip(hits, points, strict=True)]
            ends = [wilson(n, len(part)) for n, (_, part) in zip(hits, points, strict=True)]
            bars = [[s - low for s, (low, _) in zip(shares, ends, strict=True)],
                    [high - s for s, (_, high) in zip(shares, ends, strict=True)]]  # fmt: skip
            axis.errorbar([x for x, _ in points], shares, bars, marker="o", capsize=3,
                          label=", ".join(name))  # fmt: skip
    for axis, title in zip(axes, ("right and taken", "wrong and taken"), strict=True):
        axis.set(title=title, xlabel="speech over noise, dB (40: no noise)")
        axis.yaxis.set_major_formatter(mpl.ticker.PercentFormatter(1.0, decimals=0))
        axis.grid(alpha=0.3)
    axes[0].legend()
    figure.tight_layout()
    figure.savefig(path, dpi=120)


def shipped_weights(path: Path | None = None) -> Weights:
    """Those of ``path``, else of the shipped model."""
    data = json.loads(path.read_text()) if path else assurance_data(shipped("models") / OWN_MODEL)
    return weights_from(data)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables, draw the plot."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--records", type=Path, default=default_records())
    parser.add_argument("--by", default="ear,noise,snr_db", help="fields of a record")
    parser.add_argument("--assurance", type=Path, help="default: that of the shipped model")
    parser.add_argument("--left-out", action="store_true", help="fit anew without each voice")
    parser.add_argument("--plot", type=Path)
    given = parser.parse_args(arguments)
    records = read_records(given.records)
    weights: Mapping[str, Weights]
    if given.left_out:
        from tests.benchmarks.fit_assurance import weights_without

        weights = weights_without(records)
    else:
        shared = shipped_weights(given.assurance)
        weights = {record.voice: shared for record in records}
    usual_db = usual_levels(records)
    judged = [
        judge(record, weights[record.voice], usual_db.get(record.voice, usual_db.get("")))
        for record in records
    ]
    show(Console(width=220), judged, given.by.split(","), total=True)
    if given.plot:
        plot(judged, given.plot)


if __name__ == "__main__":
    main()
