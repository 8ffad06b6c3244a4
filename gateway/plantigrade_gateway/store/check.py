"""Read a whole store and report what is wrong with it; changes nothing."""

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.store.store import Store


def verify(store: Store) -> list[str]:
    """Read everything in a store and return what is wrong, one sentence each.

    Checks the file's own structure, that every chunk reads back, that none is missing, and that
    every event has its raw bytes. Takes about a second per stored hour.

    Returns
    -------
    list of str
        Empty when all is well.
    """
    found = [f"store {store.path}: {text}" for text in store.integrity()]
    for session in store.sessions():
        name = f"session {session.session_id}"
        try:
            entries = sum(len(batch) for batch in store.batches(session.session_id))
        except StoreError as error:
            found.append(str(error))
            continue
        if entries != session.entries:
            found.append(f"{name}: {entries} entries read, expected {session.entries}")
        late = sum(row.upto_entry > entries for row in store.events(session.session_id))
        if late:
            found.append(f"{name}: {late} events without their raw bytes")
    return found
