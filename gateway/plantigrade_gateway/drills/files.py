"""Where drills come from: the built-in ones, the coach's folder beside the store, single files."""

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from importlib import resources
from pathlib import Path

from plantigrade_gateway.drills.model import Choice, Drill
from plantigrade_gateway.drills.table import drill_of
from plantigrade_gateway.errors import InputError

FOLDER = "drills"
"""The coach's folder, beside the store's file."""

BUILT_IN = ("push", "heel_lift", "stay", "balance", "walk_through")
"""In the order in which they are listed."""


@dataclass(frozen=True, slots=True)
class Shelf:
    """The drills to choose from.

    Attributes
    ----------
    drills : dict of str to Drill
        By name: the built-in ones first, then the coach's.
    origin : dict of str to str
        Where each is from: "built in", or its file.
    problems : tuple of str
        One sentence for each file of the folder that cannot be used.
    """

    drills: dict[str, Drill]
    origin: dict[str, str]
    problems: tuple[str, ...]

    def find(self, name: str) -> Drill:
        """Return a drill by name.

        Raises
        ------
        InputError
            There is none; the nearest name is said.
        """
        if name in self.drills:
            return self.drills[name]
        near = get_close_matches(name, self.drills, 1)
        expected = f"perhaps {near[0]}" if near else "one of " + ", ".join(self.drills)
        raise InputError(f"drill {name!r}: is not known, expected {expected}")


@dataclass(frozen=True, slots=True)
class Drilling:
    """What is practised in a session.

    Attributes
    ----------
    shelf : Shelf
        What there is to choose from.
    choice : Choice or None
        What it begins with.
    voice : bool
        Whether outcomes are said.
    """

    shelf: Shelf
    choice: Choice | None = None
    voice: bool = False


def read_drill(path: Path) -> Drill:
    """Read a drill file.

    Raises
    ------
    InputError
        It cannot be read, is not TOML, or is no drill.
    """
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise InputError(f"drill {path}: cannot be read: {reason}") from error
    return parse_drill(text, f"drill {path}")


def parse_drill(text: str, source: str) -> Drill:
    """Read a drill from TOML text.

    Raises
    ------
    InputError
        Not TOML, or no drill.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{source}: is not TOML: {error}") from error
    return drill_of(table, source)


def shelf(store: Path | None, files: Iterable[Path] = ()) -> Shelf:
    """Return the built-in drills, those beside the store, and those of single files.

    A drill of the coach's takes the place of a built-in one of the same name.

    Parameters
    ----------
    store : Path or None
        The store's file; None: no folder is looked in.
    files : iterable of Path

    Raises
    ------
    InputError
        One of `files` cannot be used. (A bad file of the folder is a problem, not an error: it
        stops nobody from practising something else.)
    """
    drills: dict[str, Drill] = {}
    origin: dict[str, str] = {}
    problems: list[str] = []
    for name in BUILT_IN:
        text = (resources.files("plantigrade_gateway") / FOLDER / f"{name}.toml").read_text("utf-8")
        drills[name], origin[name] = parse_drill(text, f"drill {name}.toml"), "built in"
    for path in sorted((store.parent / FOLDER).glob("*.toml")) if store is not None else ():
        try:
            drill = read_drill(path)
        except InputError as error:
            problems.append(str(error))
            continue
        other = origin.get(drill.name, "built in")
        if other != "built in":
            problems.append(f"drill {path}: name is {drill.name!r}, which {other} has already")
            continue
        drills[drill.name], origin[drill.name] = drill, str(path)
    for path in files:
        drill = read_drill(path)
        drills[drill.name], origin[drill.name] = drill, str(path)
    return Shelf(drills, origin, tuple(problems))
