"""The bytes of a store's files, and damage to them as a failing disk does it."""

from pathlib import Path

from tests.support.sqlite import connected


def everything(path: Path) -> bytes:
    """All bytes of a store's files, its log among them."""
    return b"".join(p.read_bytes() for p in path.parent.iterdir() if p.name.startswith(path.name))


def flip_piece(path: Path, seq: int, session_no: int = 1) -> None:
    """Change one byte of a stored piece."""
    with connected(path) as db:
        where = "WHERE session_no = ? AND seq = ?"
        ((data,),) = db.execute(f"SELECT data FROM chunks {where}", (session_no, seq)).fetchall()
        half = len(data) // 2
        flipped = data[:half] + bytes([data[half] ^ 1]) + data[half + 1 :]
        db.execute(f"UPDATE chunks SET data = ? {where}", (flipped, session_no, seq))
    db.close()


def drop_pieces(path: Path, seqs: list[int], session_no: int = 1) -> None:
    """Take stored pieces away."""
    with connected(path) as db:
        for seq in seqs:
            db.execute("DELETE FROM chunks WHERE session_no = ? AND seq = ?", (session_no, seq))
    db.close()


def spoil_page_of(path: Path, seq: int, session_no: int = 1) -> None:
    """Overwrite the whole page of the file in which a piece begins, but not its index."""
    with connected(path) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (size,) = db.execute("PRAGMA page_size").fetchone()
        where = "WHERE session_no = ? AND seq = ?"
        ((data,),) = db.execute(f"SELECT data FROM chunks {where}", (session_no, seq)).fetchall()
    db.close()
    whole = bytearray(path.read_bytes())
    page = whole.index(data[:64]) // size
    whole[page * size : (page + 1) * size] = bytes([0xA5]) * size
    path.write_bytes(bytes(whole))
