"""Commands on a session that is over: its review and its build sheet."""

from assistant.adapters.session_log import read_log
from assistant.adapters.terminal import Terminal
from assistant.assembly.ears import load_grammar, load_wording
from assistant.assembly.sessions import folder_of, write_sheet
from assistant.cli.options import LogOrJob
from assistant.record.review import review_lines


def review(
    log: LogOrJob,
) -> None:
    """Read the spoken log of a session: what was heard, understood, answered, taken back."""
    terminal = Terminal()
    for line in review_lines(read_log(folder_of(log).log), load_wording(load_grammar())):
        terminal.show(line)


def sheet(
    log: LogOrJob,
) -> None:
    """Write the build sheet of a session again, as a page and as a table."""
    terminal = Terminal()
    folder = folder_of(log)
    write_sheet(folder, load_wording(load_grammar()))
    terminal.show(f"{folder.sheet}\n{folder.table}")
