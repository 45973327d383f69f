"""Commands around a job: make one, what can be said, which ears, what was learned."""

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from assistant import __version__
from assistant.adapters.files.answers_file import drop_answers, keep_answers, kept_answers
from assistant.adapters.files.data_files import page_template
from assistant.adapters.files.job_file import read_job, write_job
from assistant.adapters.files.learned_file import LearnedFile, usual_path
from assistant.adapters.files.sheet_file import save_sheet
from assistant.adapters.recognisers.vosk_recognizer import STANDARD_MODEL, fetch_model
from assistant.adapters.terminal.terminal import Terminal
from assistant.bench.job import Job
from assistant.bench.new_job import AGREE, BACK, Question, interview, summary, take_default
from assistant.bench.slot import readings_called, taught_by_slot
from assistant.build.ears import DEFAULT_EAR, OWN_MODEL
from assistant.build.histories import learned_anew, logs_of
from assistant.build.sessions import learned_key
from assistant.build.words import load_grammar
from assistant.cli.options import JobFile
from assistant.display.turn_lines import learned_lines
from assistant.errors import JobError
from assistant.language.phrase_card import card_lines, card_page, phrase_card
from assistant.units import parse_length


def new(
    job: JobFile,
    name: Annotated[str | None, typer.Option(help="Name of the job.")] = None,
    person: Annotated[str | None, typer.Option(help="Your name, for the build sheet.")] = None,
    unit: Annotated[str | None, typer.Option(help="inch or metric.")] = None,
    cylinders: Annotated[str | None, typer.Option(help="How many cylinders.")] = None,
    bore: Annotated[str | None, typer.Option(help="Nominal bore, in the unit.")] = None,
    answer: Annotated[
        list[str] | None,
        typer.Option(
            "--answer",
            metavar="KEY=VALUE",
            help="Answer any question beforehand, e.g. --answer 'top=least 0.016 most 0.020'.",
        ),
    ] = None,
    usual: Annotated[
        bool, typer.Option("--usual", help="Ask nothing: take the usual value of all the rest.")
    ] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace the file.")] = False,
) -> None:
    """Make a job file by question and answer, or by options."""
    terminal = Terminal()
    if job.exists() and not overwrite:
        raise JobError(f"{job} is there already: choose another name, or use --overwrite.")
    given = {
        "name": name, "person": person, "unit": unit, "cylinders": cylinders, "bore": bore,
    }  # fmt: skip
    options = {key: value for key, value in given.items() if value is not None}
    for pair in answer or []:
        key, sign, value = pair.partition("=")
        if not sign:
            raise typer.BadParameter(f"--answer {pair!r}: write KEY=VALUE, like 'leaves=usual'.")
        options[key.strip()] = value.strip()
    kept: dict[str, str] = {}
    try:
        if usual:
            made = interview(take_default, options=options)
            _show(terminal, made)
        else:
            made = interview(
                _ask(terminal), options=options, earlier=_earlier(terminal, job), kept=kept,
                look=partial(_show, terminal),
            )  # fmt: skip
        write_job(made, job, replace=overwrite)
    except BaseException:
        # Ctrl-C, the end of the input, an error: nothing that was typed is lost.
        path = keep_answers(job, {**kept_answers(job), **kept} if kept else {})
        if path is not None:
            terminal.warn(f"The answers so far are kept in {path}; the next 'new' offers them.")
        raise
    drop_answers(job)
    terminal.show(f"{job} is written. Look it over against the makers' sheets; it is plain text.")
    terminal.show(f"Next: leafcall fit {job}   (or: leafcall type {job})")


def _earlier(terminal: Terminal, job: Path) -> dict[str, str]:
    found = kept_answers(job)
    if found:
        terminal.show("Answers from before are offered in [ ]: Enter takes one.")
    terminal.show(f"Enter takes what stands in [ ]; '{BACK}' goes to the question before.")
    return found


def _show(terminal: Terminal, job: Job) -> None:
    terminal.show("")
    for line in summary(job):
        terminal.show(line)
    for doubt in job.doubts():
        terminal.warn(f"Note: {doubt}")


def _ask(terminal: Terminal) -> Callable[[Question, str], str]:
    def ask(question: Question, reason: str) -> str:
        if reason:
            terminal.warn(reason)
        shown = f" [{question.default}]" if question.default else ""
        terminal.prompt(f"{question.text}{shown}: ")
        line = sys.stdin.readline()
        if not line and question is AGREE:  # a file of answers that ends there has said it all
            return ""
        if not line:
            raise JobError(
                "The answers ended before all questions were asked: answer the rest with "
                "--answer, or take the usual values with --usual."
            )
        return line.strip()

    return ask


def learned(
    forget: Annotated[bool, typer.Option("--forget", help="Erase all learned values.")] = False,
    only: Annotated[
        str | None,
        typer.Option("--only", metavar="WHO", help="With --forget: only of this person and tool."),
    ] = None,
    rebuild: Annotated[
        list[Path] | None,
        typer.Option("--rebuild", metavar="FOLDER|LOG|JOB", help="Learn anew from session logs."),
    ] = None,
) -> None:
    """Show what was learned of grinders and people, erase it, or learn it anew from logs."""
    terminal = Terminal()
    file = LearnedFile(usual_path())
    if forget and rebuild:
        raise typer.BadParameter(
            "--forget and --rebuild do not go together: do one, then the other."
        )
    if only is not None and not forget:
        raise typer.BadParameter("--only goes with --forget.")
    if forget:
        file.forget(only)
        terminal.show("Erased. The next job starts from the usual values.")
        return
    if rebuild:
        made, left_out = learned_anew(logs_of(rebuild))
        for path, why in left_out:
            terminal.warn(f"Not used: {path}: {why}")
        before = file.read()
        for key, values in made.items():
            kept = before.get(key, values)
            surer = kept.offset_sd_nm < values.offset_sd_nm  # a slot was measured since
            file.keep(key, values.with_offset_of(kept) if surer else values)
        told = ", ".join(map(str, made)) or "nothing, no ring was ended"
        terminal.show(f"Learned anew from logs: {told}.")
    entries = file.read()
    if not entries:
        terminal.show("Nothing is learned yet: it takes a session with accepted rings.")
    for key, known in entries.items():
        terminal.show(f"{key}, from {known.rings} rings")
        for line in learned_lines(key.tool, known):
            terminal.show(f"  {line}")
    terminal.show(f"File: {file.path}")


def slot(
    job: JobFile,
    width: Annotated[
        str, typer.Argument(metavar="WIDTH", help="Its width, in the unit of the job.")
    ],
    readings: Annotated[
        list[str],
        typer.Argument(metavar="CALL...", help="What your leaves say in it, as you call it."),
    ],
) -> None:
    """Learn how your leaves read, from a slot of known width, as between gauge blocks."""
    terminal = Terminal()
    the_job = read_job(job)
    width_nm = parse_length(width, the_job.unit)
    grammar = load_grammar(unit=the_job.unit)
    said = readings_called(readings, grammar, the_job.unit)
    file, key = LearnedFile(usual_path()), learned_key(the_job)
    known = taught_by_slot(the_job, file.read().get(key), width_nm, said)
    file.keep(key, known)
    terminal.show(f"{key}:")
    for line in learned_lines(key.tool, known):
        terminal.show(f"  {line}")
    terminal.show("Your next session starts from this; 'leafcall learned --forget' erases it.")


def phrases(
    grammar: Annotated[
        Path | None, typer.Option("--grammar", help="Another grammar folder.")
    ] = None,
    page: Annotated[
        Path | None,
        typer.Option("--page", metavar="OUT.html", help="Write it as a page, to print on a sheet."),
    ] = None,
    whole: Annotated[
        bool, typer.Option("--all", help="Everything that can be said, not the card.")
    ] = False,
) -> None:
    """Print the phrase card: what people say, from the grammar itself."""
    terminal = Terminal()
    known = load_grammar(grammar)
    if whole:
        for line in known.card():
            terminal.show(line)
        return
    card = phrase_card(known)
    if page is not None:
        software = f"leafcall {__version__}"
        save_sheet(page, card_page(card, template=page_template("phrases"), software=software))
        terminal.show(f"Written: {page}")
        return
    for line in card_lines(card):
        terminal.show(line)
    terminal.show(
        "\nTo print: leafcall phrases --page CARD.html. Everything: leafcall phrases --all."
    )


def models(
    fetch: Annotated[
        bool, typer.Option("--fetch", help=f"Fetch {STANDARD_MODEL} through the vosk package now.")
    ] = False,
    into: Annotated[Path, typer.Option(help="Folder that takes the fetched model.")] = Path(),
) -> None:
    """Explain the ears there are; fetch the standard Vosk model only when asked."""
    terminal = Terminal()
    if not fetch:
        terminal.show(
            f"--ear {DEFAULT_EAR}: our own small Vosk model ({OWN_MODEL}), built in; its words "
            "are compiled from the grammar, no network is needed.\n"
            "--ear FOLDER: the folder of a Vosk model (conf, am and graph inside).\n"
            f"Standard small English Vosk model ({STANDARD_MODEL}, about 40 MB, from the vendor, "
            "needs a network):\n"
            "  leafcall models --fetch"
        )
        return
    with terminal.progress(f"Fetching {STANDARD_MODEL}", total=1) as steps:
        folder = fetch_model(into, progress=steps.reach)
    terminal.show(f"{folder} is there. Use it with: --ear {folder}")
