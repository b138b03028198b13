"""The files that commands read and write, and that none of them is two of these."""

import os
import shlex
from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import Any

import click

from .options import OnceCommand


class InputType(click.Path):
    """What a command reads; `files` gives the names of those that a value speaks of."""

    def __init__(self, files: Callable[[str], Iterable[str]] = lambda value: (value,)) -> None:
        super().__init__()
        self.files = files


def files_of_function(function: str) -> Iterable[str]:
    """Those in which `module:function` or `path.py:function` may lie."""
    where = function.rpartition(":")[0]
    module = where.replace(".", os.sep)
    return where, f"{module}.py", os.path.join(module, "__init__.py")


def files_of_command(command: str) -> Iterable[str]:
    """The words of a command."""
    with suppress(ValueError):  # told where it is started
        return shlex.split(command)
    return ()


class OutputType(click.Path):
    """The name of a file to write, for a `WritingCommand`."""

    def __init__(self) -> None:
        super().__init__(dir_okay=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuses an empty one, which a variable of the shell that is not set leaves."""
        if not value:
            self.fail("the name of the file is empty", param, ctx)
        return super().convert(value, param, ctx)


class WritingCommand(OnceCommand):
    """A command that writes files: never over one that it reads, nor two into one."""

    def invoke(self, ctx: click.Context) -> Any:
        """Refuses that before anything is done, whatever names the files are given by."""
        given = [(p, ctx.params[p.name]) for p in self.params if p.name and ctx.params[p.name]]
        read = [
            name
            for param, value in given
            if isinstance(param.type, InputType)
            for name in param.type.files(value)
        ]
        outputs = [(p.opts[-1], path) for p, path in given if isinstance(p.type, OutputType)]
        for i, (option, path) in enumerate(outputs):
            for other, beside in outputs[:i]:
                if _one_file(path, beside):
                    raise click.UsageError(f"{other} and {option} are one file: name two")
            for name in read:
                if _one_file(path, name) and not _is_device(path):
                    raise click.UsageError(
                        f"{option} {path} would replace {name}, which is read: name another file"
                    )
        return super().invoke(ctx)


def _one_file(one: str, other: str) -> bool:
    """Whether two names are of one file, or would be on a system that does not see capitals."""
    try:
        return os.path.samefile(one, other)
    except (OSError, ValueError):
        there = os.path.exists(one) or os.path.exists(other)
        return not there and os.path.realpath(one).lower() == os.path.realpath(other).lower()


def _is_device(path: str) -> bool:
    """Whether what is written there replaces nothing."""
    return os.path.exists(path) and not os.path.isfile(path)
