"""How every command writes to the terminal: one console, plain text, tables, a bar. Light: every
command imports it."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

from logbench.cases.work import Canceling, CancelledError, Case, Work
from logbench.cli.options import INTERRUPTED
from logbench.errors import LogbenchError
from logbench.foreign import MOST_TEXT, in_terminal

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from logbench.cases.archive import Account

AnswerT = TypeVar("AnswerT")


@cache
def console() -> Console:
    """The terminal, or whatever standard output is."""
    from rich.console import Console

    class Plain(Console):
        """Of what is printed, only styles that the program gives steer the terminal."""

        def render_str(self, text: str, *args: Any, **how: Any) -> Text:
            return super().render_str(in_terminal(text, lines=True), *args, **how)

        def on_broken_pipe(self) -> None:
            """Nobody reads on (`| head`): what is being done goes on, without a word."""
            self.quiet = True
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())

    return Plain(highlight=False, markup=False, emoji=False)


def text(words: str, style: str = "") -> Text:
    """What a file, a job or a car says is never markup, nor a control."""
    from rich.text import Text

    return Text(in_terminal(words, lines=True), style=style)


def say(words: str, style: str = "") -> None:
    """Print a paragraph."""
    console().print(text(words, style))


def warn(sentence: str) -> None:
    """Say on the error output what went wrong while the command goes on."""
    if sentence:
        print("logbench:", in_terminal(sentence, most=MOST_TEXT), file=sys.stderr)


def bullets(title: str, lines: Sequence[str]) -> None:
    """A title and a list below it."""
    from rich.padding import Padding
    from rich.table import Table

    say(f"  {title}")
    grid = Table.grid(padding=(0, 1, 0, 0))
    for line in lines:
        grid.add_row("-", text(line))
    console().print(Padding(grid, (0, 0, 0, 4)))


def table(*headings: str) -> Table:
    """An empty table."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    made = Table(box=SIMPLE_HEAD, pad_edge=False)
    for heading in headings:
        made.add_column(text(heading))
    return made


def clock(seconds: float) -> str:
    """`1:02:03`, with hours always."""
    minutes, rest = divmod(int(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}"


@contextmanager
def bar(title: str) -> Iterator[Callable[[str, float], None]]:
    """A bar that is there for a while, in a terminal only: not a line of it gets into a file. It is
    given what is being done and the share done."""
    out = console()
    if not out.is_terminal:  # where a bar is switched off, its end is an empty line
        yield lambda doing, share: None
        return
    import rich.progress as bars

    doing = bars.TextColumn("{task.description}", markup=False)
    columns = (doing, bars.BarColumn(), bars.TaskProgressColumn(), bars.TimeRemainingColumn())
    with bars.Progress(*columns, console=out, transient=True) as progress:
        task = progress.add_task(title, total=1.0)
        yield lambda doing, share: progress.update(
            task, description=in_terminal(doing), completed=share
        )


def exit_code(account: Account) -> int:
    """Of long work on many files: 130 where it was stopped, 3 where something is wrong."""
    return INTERRUPTED if account.untouched else LogbenchError.exit_code if account.bad else 0


def run_shown(case: Case[AnswerT], title: str = "") -> AnswerT:
    """Run a case with a bar. Ctrl-C ends one that keeps what it has after the step it is at, and
    at once when it is pressed again; of any other it is said what is as it was, and
    `KeyboardInterrupt` raised. What has begun to be changed is seen through."""
    with bar(title or case.title) as reported:
        work = Work(reported, case.canceling)
        try:
            with _stopping(work, case.canceling):
                return case.run(work)
        except (KeyboardInterrupt, CancelledError) as error:
            stopped = error
    warn(case.untouched())
    raise KeyboardInterrupt from stopped


@contextmanager
def _stopping(work: Work, how: Canceling) -> Iterator[None]:
    """What Ctrl-C does to work that may be stopped. A case that changes a car has its own way."""

    def stop(_number: int, _frame: object) -> None:
        again = work.cancelled
        if not work.cancel():
            return
        if how == "drop" or again:
            raise KeyboardInterrupt
        warn("Stopping after the step it is at; Ctrl-C again stops at once.")

    if how == "finish" or threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
