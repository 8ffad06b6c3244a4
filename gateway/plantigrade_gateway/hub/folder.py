"""What lies where in a hub's folder."""

from pathlib import Path

from plantigrade_gateway.child import Alone
from plantigrade_gateway.store.schema import followed


def store_path(data: Path) -> Path:
    """Return where a hub's working store lies, and its tables where no server has them."""
    return followed(data / "hub.sqlite3")


def objects_place(data: Path) -> str:
    """Return where records are kept unless told."""
    return str(data / "objects")


def alone(data: Path) -> Alone:
    """Return what whoever changes the working store holds: two at once would undo each other's."""
    return Alone(store_path(data), "keeper", waits=False)
