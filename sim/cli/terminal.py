"""What the commands say, and how they end: reports, errors, figures, progress."""

from __future__ import annotations

import io
import json
import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from typing import IO, TYPE_CHECKING, Any, NoReturn

import click

from ..system.errors import AGREE, DISAGREE, UNUSABLE, UnusableError
from ..system.quoting import one_line
from .streams import drop, tell

if TYPE_CHECKING:
    from rich.console import Console

    from carrywave.waves.figures.svg import Figure

Writer = Callable[[IO[str]], object]

NARROWEST = 80  # columns; a narrower terminal wraps lines, where a table would drop columns
UNREAD = 141  # what a shell says of a program whose output nobody reads


def console() -> Console:
    """Where reports go: as wide as the terminal, plain where colour is not wanted.

    Without the blanks at the ends of lines that tables are filled with.
    """
    from rich.console import Console, ConsoleOptions, Group, RenderHook, RenderResult
    from rich.segment import Segment

    class Report(Console):
        def on_broken_pipe(self) -> None:
            unread()

    class Trimmed:
        def __init__(self, parts: list[Any]) -> None:
            self.parts = Group(*parts)

        def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
            for line in Segment.split_lines(console.render(self.parts, options)):
                while line and not line[-1].text.rstrip():
                    line.pop()
                if line:
                    last = line.pop()
                    yield from (*line, Segment(last.text.rstrip(), last.style))
                yield Segment.line()

    class Trim(RenderHook):
        def process_renderables(self, renderables: list[Any]) -> list[Any]:
            return [Trimmed(renderables)]

    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # not every encoding has the arrows
    plain = bool(os.environ.get("NO_COLOR"))
    report = Report(highlight=False, color_system=None if plain else "auto")
    report.width = max(report.width, NARROWEST)
    report.push_render_hook(Trim())
    return report


def conclude(
    report: Any, as_json: bool, show: Callable[[Console], object], told: str = ""
) -> NoReturn:
    """Prints a report as JSON, or shows it and what else is told, and ends with its verdict."""
    if as_json:
        print_json(report.to_json())
    else:
        show(console())
        if told:
            click.echo(told)
    sys.exit(AGREE if report.agree else DISAGREE)


def unusable(message: object, details: Iterable[str] = ()) -> NoReturn:
    """One clear line, what more there is to say below it, and exit status 2."""
    told = message if isinstance(message, UnusableError) else one_line(message)
    tell(told, *details)
    sys.exit(UNUSABLE)


@contextmanager
def needing(command: str, **extras: str) -> Iterator[None]:
    """Imports of packages that come with an extra: says which, where one is missing."""
    try:
        yield
    except ModuleNotFoundError as error:
        if error.name not in extras:
            raise
        extra = extras[error.name]
        unusable(f"{command} needs {error.name}: pip install 'carrywave[{extra}]'")


def unread() -> NoReturn:
    """Whoever read the output has seen enough: that is no verdict, neither 0 nor 1."""
    drop(sys.stdout)
    sys.exit(UNREAD)


def write_files(writers: Mapping[str, Writer]) -> None:
    """Writes a file each, all or none, or says which cannot be."""
    from ..system.files import written_beside

    with ExitStack() as files:
        for path, write in writers.items():
            write(files.enter_context(written_beside(path)))


def write_figure(figure: Figure, path: str) -> None:
    """Writes a figure to a file, or says why that cannot be."""
    write_files({path: lambda file: file.write(figure.render())})


def print_json(value: Any) -> None:
    """One JSON object on one line."""
    click.echo(json.dumps(value, separators=(",", ":")))


@contextmanager
def progress_bar(unit: str, total: int) -> Iterator[Callable[[int], None]]:
    """Shows how far a long run has come, on a terminal only, once it has taken a second."""
    began, bar, task = time.monotonic(), None, None

    def advance(done: int) -> None:
        nonlocal bar, task
        if bar is None and sys.stderr.isatty() and time.monotonic() - began > 1:
            from rich.console import Console
            from rich.progress import Progress, ProgressColumn, Task
            from rich.text import Text

            class Rate(ProgressColumn):
                def render(self, task: Task) -> Text:
                    return Text(f"{task.speed or 0:,.0f}/s", style="progress.data.speed")

            screen = Console(stderr=True)
            bar = Progress(*Progress.get_default_columns(), Rate(), console=screen, transient=True)
            task = bar.add_task(unit, total=total)
            bar.start()
        if bar is not None and task is not None:
            bar.update(task, completed=done)

    try:
        yield advance
    finally:
        if bar is not None:
            bar.stop()
