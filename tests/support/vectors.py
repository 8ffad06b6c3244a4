"""Files of known answers: blocks of ``name = value`` lines (`hardware_notes/wire_format.md` §7)."""

from pathlib import Path


def read_vectors(path: Path) -> list[dict[str, str]]:
    """Return the blocks of a file."""
    blocks: list[dict[str, str]] = [{}]
    for line in path.read_text("ascii").splitlines():
        if line.startswith("#"):
            continue
        if not line:
            blocks.append({})
            continue
        name, _, value = line.partition("=")
        blocks[-1][name.strip()] = value.strip()
    return [block for block in blocks if block]


def by_name(block: dict[str, str]) -> str:
    """Name a test after its vector."""
    return block["name"]
