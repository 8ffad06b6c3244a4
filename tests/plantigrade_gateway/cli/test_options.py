"""What every command takes: the list is the promise of `options.txt`, read by people.

A line is a command, its argument or option, and what that is: its limits, its default, whether it
is a flag, is asked for, or may be given more than once. A change here changes what users type;
`hardware_notes/commands.md` goes with it.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from plantigrade_gateway.cli.main import main

PROMISED = Path(__file__).with_name("options.txt")
EVERYWHERE = ("--json", "--store")  # of these `test_main` asks


def lines(group: click.Group, *path: str) -> Iterator[str]:
    for name, command in sorted(group.commands.items()):
        for parameter in command.params:
            called = " ".join([*parameter.opts, *parameter.secondary_opts])
            if called not in EVERYWHERE:
                shown = called if isinstance(parameter, click.Option) else called.upper()
                yield f"{' '.join((*path, name))}: {shown}: {described(parameter)}"
        if isinstance(command, click.Group):
            yield from lines(command, *path, name)


def described(parameter: click.Parameter) -> str:
    said = [kind_of(parameter.type)]
    default = parameter.to_info_dict()["default"]
    if isinstance(default, bool | int | float | str | list | tuple):
        said.append(f"default {default!r}")
    said += [
        word
        for name, word in (
            ("is_flag", "flag"),
            ("multiple", "more than once"),
            ("required", "asked for"),
            ("hidden", "hidden"),
            ("show_default", "default shown"),
        )
        if getattr(parameter, name, False)
    ]
    return ", ".join(said if parameter.nargs == 1 else [*said, f"{parameter.nargs} values"])


def kind_of(kind: click.ParamType[Any]) -> str:
    if isinstance(kind, click.Choice):
        return " or ".join(map(str, kind.choices))
    if isinstance(kind, click.IntRange | click.FloatRange):
        ends = ("" if end is None else f"{end:g}" for end in (kind.min, kind.max))
        return f"{kind.name} {'…'.join(ends)}"
    return kind.name


def test_every_command_takes_what_is_promised():
    assert list(lines(main)) == PROMISED.read_text("utf-8").splitlines()
