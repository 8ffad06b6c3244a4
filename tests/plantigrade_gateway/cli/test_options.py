"""What every command takes: the list is the promise of `options.txt`, read by people.

A line is a command, its argument or option, and what that is: its limits, its default, whether it
is a flag, is asked for, or may be given more than once. A change here changes what users type;
`hardware_notes/commands.md` goes with it.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from plantigrade_gateway.cli.arguments import BadInput, WholeWithin
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


def kind_of(kind: "click.ParamType[Any]") -> str:
    if isinstance(kind, click.Choice):
        return " or ".join(map(str, kind.choices))
    if isinstance(kind, click.IntRange | click.FloatRange):
        ends = ("" if end is None else f"{end:g}" for end in (kind.min, kind.max))
        return f"{kind.name} {'…'.join(ends)}"
    return kind.name


def test_every_command_takes_what_is_promised():
    assert list(lines(main)) == PROMISED.read_text("utf-8").splitlines()


NUMBERS = (click.types.IntParamType, click.types.FloatParamType)


def numbers(group: click.Group) -> Iterator[click.Parameter]:
    for command in group.commands.values():
        for parameter in command.params:
            kinds = getattr(parameter.type, "types", [parameter.type])  # of several values
            if any(isinstance(kind, NUMBERS) for kind in kinds):
                yield parameter
        if isinstance(command, click.Group):
            yield from numbers(command)


@pytest.mark.parametrize("text", ["abc", "", "1,5", "nan", "-inf", "1e999", "9" * 5000])
def test_what_is_no_number_is_refused_in_one_sentence_by_each_that_takes_one(text):
    """The sentence names the option, what was given and what was expected; digits are bounded."""
    found = list(numbers(main))
    assert len(found) > 40
    for parameter in found:
        with pytest.raises(BadInput) as refused:
            kinds = getattr(parameter.type, "types", [parameter.type])
            kinds[0].convert(text, parameter, None)
        said = refused.value.message
        assert said.startswith(f"{parameter.opts[0]}: "), said
        assert ", expected a " in said and " number" in said and len(said) < 200


@pytest.mark.parametrize(
    ("order", "said"),
    [
        ("calibrate --mass abc", "--mass: 'abc', expected a number of kg from 10 to 300"),
        ("calibrate --mass 500", "--mass: '500', expected a number of kg from 10 to 300"),
        ("run --virtual --for soon", "--for: 'soon', expected a number of seconds"),
        ("run --port 8642.5", "--port: '8642.5', expected a whole number from 0 to 65535"),
        ("players retention --days 0", "--days: '0', expected a whole number from 1 to 36500"),
        ("visit exclude last two", "swing: 'two', expected a whole number"),
        ("players consent a record --until may", "--until: 'may', expected a day as 2026-12-31"),
    ],
)
def test_a_refused_number_or_day_is_all_that_is_said(order, said):
    done = CliRunner().invoke(main, order.split())
    assert (done.exit_code, done.output) == (2, f"Error: {said}\n")


def test_a_prompt_asks_again_for_a_number():
    asked = click.Command(
        "ask", callback=lambda: click.echo(click.prompt("n", type=WholeWithin(1, 3)))
    )
    done = CliRunner().invoke(asked, input="x\n2\n")
    assert done.exit_code == 0 and "Error: 'x', expected a whole number from 1 to 3" in done.output
    assert done.output.endswith("2\n")
