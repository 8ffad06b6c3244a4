"""What `--help` lists: every command once, its first sentence in full, in a narrow terminal too."""

import re
from collections import Counter

import click
import pytest
from click.testing import CliRunner

from plantigrade_gateway.cli.group import SECTIONS
from plantigrade_gateway.cli.main import main

GROUPS = [()] + [(n,) for n, c in sorted(main.commands.items()) if isinstance(c, click.Group)]


def listed(*path: str, width: int) -> dict[str, str]:
    """Return each command that the help lists, and what it says of it."""
    args = [*path, "--help"]
    text = CliRunner().invoke(main, args, prog_name="plantigrade", terminal_width=width).stdout
    said: dict[str, str] = {}
    for line in text.split("--help", 1)[1].splitlines():
        if begun := re.match(r"  (\S+)  +(\S.*)", line):
            said[begun[1]] = begun[2]
        elif line.startswith("   ") and said:
            said[next(reversed(said))] += " " + line.strip()
    return said


def test_every_command_of_the_program_stands_in_one_section():
    assert Counter(name for of in SECTIONS.values() for name in of) == Counter(list(main.commands))


@pytest.mark.parametrize("width", [60, 80])
@pytest.mark.parametrize("path", GROUPS, ids=" ".join)
def test_the_first_sentence_of_each_is_listed_in_full(path, width):
    group = main if not path else main.commands[path[0]]
    assert isinstance(group, click.Group)
    said = listed(*path, width=width)
    assert set(group.commands) <= set(said)
    for name, command in group.commands.items():
        assert command.help is not None
        whole = " ".join(command.help.split("\n\n")[0].split())
        assert said[name].removesuffix(".") == re.split(r"\.(?= |$)", whole)[0], name


def test_the_sections_are_the_heads_of_the_program_s_own_list_alone():
    text = CliRunner().invoke(main, ["--help"]).stdout
    assert [h[:-1] for h in re.findall(r"^\S.*:$", text, re.M)] == ["Options", *SECTIONS]
    below = CliRunner().invoke(main, ["tsdb", "--help"]).stdout
    assert re.findall(r"^\S.*:$", below, re.M) == ["Options:", "Commands:"]
