"""Commands before work: is everything well, and does it hear me."""

import json
import shutil
import sys
import textwrap
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Annotated

import typer

from assistant.adapters.files.job_file import read_job
from assistant.adapters.files.kept_set import KeptSet
from assistant.adapters.sound.microphone import Microphone
from assistant.adapters.terminal.keys import Keys, NoKeys, open_keys
from assistant.adapters.terminal.terminal import Steps, Terminal
from assistant.build.ears import DEFAULT_EAR, Ear, open_ear
from assistant.build.machine_checks import MEASURED_S, Wanted, checks
from assistant.build.practice_runs import (
    SKIP,
    STOP,
    Take,
    file_takes,
    live_takes,
    score_again,
    seed_of_now,
)  # fmt: skip
from assistant.build.words import load_grammar
from assistant.cli.ear_options import EarName
from assistant.errors import AudioError, LeafcallError
from assistant.tryout import practice as practising
from assistant.tryout.checkup import Finding, Verdict, all_work
from assistant.tryout.practice import Tried, line_of, phrases, summary
from assistant.units import Unit

_SPEAK = "Say a call now, like fifteen goes"
_STEPS = 30


def check(
    job: Annotated[
        Path | None, typer.Argument(metavar="[JOB]", help="Job file: its folder is tried.")
    ] = None,
    mute: Annotated[bool, typer.Option("--mute", help="Do not try the voice.")] = False,
    no_microphone: Annotated[
        bool, typer.Option("--no-microphone", help="Do not try the microphone.")
    ] = False,
    device: Annotated[
        str | None, typer.Option("--microphone", help="Microphone by number or part of its name.")
    ] = None,
    sound: Annotated[
        Path | None,
        typer.Option("--sound", help="Measure this recording instead of the microphone."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, for programs.")] = False,
    ear: EarName = DEFAULT_EAR,
) -> None:
    """Try microphone, voice, ear, disk and clock, and say what to change; exit code 1 if broken."""
    terminal = Terminal()
    if job is not None:
        read_job(job)
    wanted = Wanted(
        folder=job.parent if job is not None else Path(), ear=ear,
        microphone=not no_microphone, device=device, sound=sound, voice=not mute,
    )  # fmt: skip
    found: list[Finding] = []
    with ExitStack() as stack:
        meters: list[Steps] = []

        def watch(seconds: float, _level_db: float) -> None:
            if not meters and sound is None:
                meters.append(stack.enter_context(terminal.progress(_SPEAK, total=_STEPS)))
            if meters:
                meters[0].reach(round(seconds / MEASURED_S * _STEPS), _STEPS)

        for finding in checks(wanted, watch=watch):
            stack.close()  # the bar goes before the line comes
            found.append(finding)
            if not as_json:
                _show(terminal, finding)
    well = all_work(found)
    if as_json:
        terminal.raw(json.dumps({"ok": well, "findings": [one.record() for one in found]}))
    else:
        terminal.show("")
        looks = sum(one.verdict is Verdict.LOOK for one in found)
        broken = sum(one.verdict is Verdict.BROKEN for one in found)
        terminal.show(
            f"{broken} broken, {looks} to look at, {len(found) - broken - looks} ok."
            if broken or looks else "All ok."
        )  # fmt: skip
    if not well:
        raise typer.Exit(1)


def _show(terminal: Terminal, finding: Finding) -> None:
    mark = finding.verdict.upper() if finding.verdict is Verdict.BROKEN else finding.verdict
    _show_folded(terminal, f"{mark:<7} {finding.part:<11} ", finding.measured)
    if finding.change:
        _show_folded(terminal, f"{'':<7} {'change':<11} ", finding.change)


def _show_folded(terminal: Terminal, begin: str, text: str) -> None:
    """One line for a program; on a terminal folded under its own beginning."""
    if sys.stdout.isatty():
        width = max(40, shutil.get_terminal_size().columns)
        text = textwrap.fill(
            text, width, initial_indent=begin, subsequent_indent=" " * len(begin),
            break_on_hyphens=False,
        )[len(begin) :]  # fmt: skip
    terminal.show(f"{begin}{text}")


def practice(
    files: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[JOB] [FILES]...", help="Job file; with --from, recordings."),
    ] = None,
    from_files: Annotated[
        bool,
        typer.Option("--from", help="Hear the FILES, one a phrase, instead of the microphone."),
    ] = False,
    seed: Annotated[
        int | None, typer.Option("--seed", min=0, help="The same phrases again; else new ones.")
    ] = None,
    begin: Annotated[int, typer.Option("--begin", min=1, help="Go on with this phrase.")] = 1,
    count: Annotated[int, typer.Option("--count", min=1, max=100, help="How many phrases.")] = (
        practising.COUNT
    ),
    keep: Annotated[
        Path | None,
        typer.Option("--keep", metavar="DIR", help="Keep your phrases there, on this machine."),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="With --keep: do not ask first.")] = False,
    again: Annotated[
        Path | None,
        typer.Option("--again", metavar="DIR", help="Hear a kept set again with today's ear."),
    ] = None,
    device: Annotated[
        str | None, typer.Option("--microphone", help="Microphone by number or part of its name.")
    ] = None,
    ear: EarName = DEFAULT_EAR,
) -> None:
    """Read ten phrases aloud and see what is understood, and what to change. Two minutes."""
    terminal = Terminal()
    job, sounds = _job_and_sounds(files or [], from_files=from_files)
    made = read_job(job) if job is not None else None
    unit = made.unit if made is not None else Unit.INCH
    grammar = load_grammar(unit=unit)
    with ExitStack() as stack:
        if again is None and not from_files:
            # First of all: without one there is nothing to begin.
            microphone = Microphone(device)
            stack.callback(_let_go, microphone)
        opened = stack.enter_context(open_ear(grammar, ear=ear))
        if again is not None:
            _score_again(terminal, opened, KeptSet(again))
            return
        seed = seed_of_now() if seed is None else seed
        foreign = {other.call_symbol for other in Unit if other is not unit}
        asked = phrases(grammar, seed=seed, count=count, avoid=foreign)
        chosen = list(enumerate(asked, 1))[begin - 1 :]
        if not chosen:
            raise typer.BadParameter(f"--begin {begin}: there are {count} phrases.")
        kept = KeptSet(keep) if keep is not None and _may_keep(terminal, keep, yes=yes) else None

        def ask(number: int, phrase: tuple[str, ...]) -> None:
            terminal.show(f"\n{number:>2} of {count}   {' '.join(phrase)}")

        if from_files:
            takes = file_takes(opened, sounds, chosen)
        else:
            keys: Keys | NoKeys = open_keys()
            stack.callback(keys.close)
            terminal.show(
                f"Read each phrase as you would call it at the bench. {SKIP} skips one, {STOP} "
                "stops."
            )
            takes = live_takes(opened, microphone, chosen, keys, ask=ask)
        done: list[Tried] = []
        try:
            for take in takes:
                if from_files:
                    ask(take.one.number, take.one.asked)
                done.append(take.one)
                terminal.show(f"     {line_of(take.one)}")
                if kept is not None and take.samples is not None and not take.one.skipped:
                    _keep(kept, take, opened, seed=seed, speaker=made.person if made else "")
        except KeyboardInterrupt:
            terminal.show("")
        except AudioError as error:
            terminal.warn(f"leafcall: {error}")
        terminal.show("")
        for line in summary(done):
            terminal.show(line)
        kept_in = keep if kept is not None else None
        _tell_how_on(terminal, job, done, chosen, seed=seed, count=count, keep=kept_in)


def _job_and_sounds(files: list[Path], *, from_files: bool) -> tuple[Path | None, list[Path]]:
    job = files[0] if files and files[0].suffix.lower() == ".toml" else None
    sounds = files[1:] if job is not None else files
    if sounds and not from_files:
        raise typer.BadParameter(f"{sounds[0]}: recordings are heard with --from.")
    if from_files and not sounds:
        raise typer.BadParameter("--from needs recordings, one for each phrase, in order.")
    return job, sounds


def _let_go(microphone: Microphone) -> None:
    with suppress(LeafcallError):  # the practice is over and told
        microphone.close()


def _may_keep(terminal: Terminal, folder: Path, *, yes: bool) -> bool:
    terminal.show(
        f"Your phrases would be kept as sound in {folder}, on this machine only; nothing is sent "
        "anywhere. Erase the folder to erase them."
    )
    if yes:
        return True
    terminal.prompt("Keep them? y or n [n]: ")
    if sys.stdin.readline().strip().lower() in ("y", "yes"):
        return True
    terminal.show("Nothing is kept.")
    return False


def _keep(kept: KeptSet, take: Take, ear: Ear, *, seed: int, speaker: str) -> None:
    one = take.one
    if take.samples is not None:
        kept.keep(
            take.samples, said=" ".join(one.asked), heard=" ".join(one.heard), score=one.score,
            right=one.right, ear=ear.recognizer.name, seed=seed, number=one.number,
            speaker=speaker or "builder",
        )  # fmt: skip


def _tell_how_on(
    terminal: Terminal,
    job: Path | None,
    done: list[Tried],
    chosen: list[tuple[int, tuple[str, ...]]],
    *,
    seed: int,
    count: int,
    keep: Path | None,
) -> None:
    parts = (job, f"--seed {seed}", f"--count {count}" if count != practising.COUNT else None)
    options = "".join(f" {part}" for part in parts if part is not None)
    if keep is not None:
        terminal.show(f"Kept in {keep}. Hear them again later: leafcall practice --again {keep}")
        options += f" --keep {keep}"
    rest = chosen[len(done) :]
    if rest:
        terminal.show(f"Go on with: leafcall practice{options} --begin {rest[0][0]}")
    else:
        terminal.show(f"The same phrases again: leafcall practice{options}")


def _score_again(terminal: Terminal, ear: Ear, kept: KeptSet) -> None:
    done: list[Tried] = []
    before = 0
    for was, now in score_again(ear, kept):
        done.append(now)
        before += was.right
        terminal.show(f"{was.path.name}: {line_of(now)}")
        if was.right != now.right:
            terminal.show(f"    {'before: understood' if was.right else 'before: not understood'}")
    terminal.show("")
    for line in summary(done):
        terminal.show(line)
    terminal.show(f"When they were kept: {before} of {len(done)} understood.")
