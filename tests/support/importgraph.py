"""The shape of the import graph: ``python -m tests.support.importgraph [PACKAGE_FOLDER]``.

Prints modules, lines, small and large modules, floors (the longest chain of imports once cycles are
one), the cycles, and the arrows between rooms. Imports inside functions count; those under
``TYPE_CHECKING`` too.
"""

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

GATEWAY = Path(__file__).resolve().parents[2] / "gateway" / "plantigrade_gateway"
WEB_ROOMS = {"html", "door", "live", "desk"}
SMALL, LARGE, LARGEST = 80, 300, 500


@dataclass(frozen=True, slots=True)
class Graph:
    """Modules of one package, and which imports which.

    Attributes
    ----------
    lines : dict of str to int
        By module, named without the package; the package itself is "".
    needs : dict of str to set of str
    """

    lines: dict[str, int]
    needs: dict[str, set[str]]

    @classmethod
    def of(cls, package: Path) -> "Graph":
        """Read a package's folder."""
        texts = {}
        for path in sorted(package.rglob("*.py")):
            name = ".".join(path.relative_to(package).with_suffix("").parts)
            texts[name.removesuffix("__init__").removesuffix(".")] = path.read_text("utf-8")
        needs = {
            name: _needs(text, package.name, set(texts)) - {name} for name, text in texts.items()
        }
        return cls({name: text.count("\n") for name, text in texts.items()}, needs)

    def cycles(self) -> list[list[str]]:
        """Return the groups of modules that import each other."""
        return [sorted(group) for group in _groups(self.needs) if len(group) > 1]

    def floors(self) -> int:
        """Return the length of the longest chain of imports, a cycle counting as one module."""
        return _floors(self.needs)

    def rooms(self) -> dict[str, set[str]]:
        """Return which room imports which."""
        found: dict[str, set[str]] = {}
        for module, needs in self.needs.items():
            room = room_of(module)
            found.setdefault(room, set()).update({room_of(each) for each in needs} - {room})
        return found


def room_of(module: str) -> str:
    """Return a module's room: its sub-package, "(top)" beside them, "(package)" for its face."""
    if not module:
        return "(package)"
    parts = module.split(".")
    if parts[0] == "web" and len(parts) > 1 and parts[1] in WEB_ROOMS:
        return f"web/{parts[1]}"
    return parts[0] if len(parts) > 1 else "(top)"


@cache
def imports_of(text: str) -> tuple[tuple[int, str], ...]:
    """Return the line and the full name of everything a module's text imports."""
    found = []
    for node in _statements(ast.parse(text)):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            found += [(node.lineno, f"{node.module}.{alias.name}") for alias in node.names]
    return tuple(found)


def _statements(tree: ast.AST) -> Iterator[ast.AST]:
    """Yield what stands in a tree but expressions, which hold no statement and are most of it."""
    for child in ast.iter_child_nodes(tree):
        if not isinstance(child, ast.expr):
            yield child
            yield from _statements(child)


def _needs(text: str, package: str, modules: set[str]) -> set[str]:
    found = set()
    for _, name in imports_of(text):
        head, _, rest = name.partition(".")
        if head == package:
            found.add(rest if rest in modules else rest.rpartition(".")[0])
    return found & modules


def _groups(needs: dict[str, set[str]]) -> list[set[str]]:
    """Return the strongly connected groups, those that are imported first (Tarjan 1972)."""
    number: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    groups: list[set[str]] = []

    def visit(module: str) -> None:
        number[module] = low[module] = len(number)
        stack.append(module)
        for other in sorted(needs[module]):
            if other not in number:
                visit(other)
                low[module] = min(low[module], low[other])
            elif other in stack:
                low[module] = min(low[module], number[other])
        if low[module] == number[module]:
            at = stack.index(module)
            groups.append(set(stack[at:]))
            del stack[at:]

    for module in sorted(needs):
        if module not in number:
            visit(module)
    return groups


def _floors(needs: dict[str, set[str]]) -> int:
    height: dict[str, int] = {}
    for group in _groups(needs):
        below = {each for module in group for each in needs[module]} - group
        for module in group:
            height[module] = 1 + max((height[each] for each in below), default=0)
    return max(height.values(), default=0)


def main(package: Path = GATEWAY) -> None:
    """Print the graph."""
    graph = Graph.of(package)
    counted = {name: n for name, n in graph.lines.items() if n > 1}
    rooms = graph.rooms()
    print(f"modules            {len(counted)}")
    print(f"lines              {sum(counted.values())}")
    print(f"under {SMALL} lines     {sum(n < SMALL for n in counted.values())}")
    print(f"over {LARGE} lines     {sum(n > LARGE for n in counted.values())}")
    over = sorted(name for name, n in counted.items() if n > LARGEST)
    print(f"over {LARGEST} lines     {', '.join(over) or 'none'}")
    print(f"floors             {graph.floors()}")
    print(f"rooms              {len(rooms)}, arrows {sum(map(len, rooms.values()))}")
    room_cycles = [sorted(group) for group in _groups(rooms) if len(group) > 1]
    print(f"cycles of modules  {graph.cycles() or 'none'}")
    print(f"cycles of rooms    {room_cycles or 'none'}")
    for room in sorted(rooms):
        print(f"  {room:10} -> {', '.join(sorted(rooms[room])) or '-'}")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
