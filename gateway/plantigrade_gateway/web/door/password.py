"""The coach's password: what it must be, and its hash in the store.

The hash is in the store and not in a file beside it: the store is already a file that only its
owner reads, what it holds of people is worth more than the hash, and there a new password and the
end of every sign-in are one transaction, synced to the disk.
"""

import unicodedata
from datetime import UTC, datetime
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.foreign import read_secret
from plantigrade_gateway.store.database import Database
from plantigrade_gateway.store.rows import utc_text

LEAST = 12
"""Characters (ours). NIST SP 800-63B-4 asks for 15 where nothing but a password protects, and 8
beside a second factor; this one opens to a local network only, and tries are limited."""
MOST = 256
_LEAST_DIFFERENT = 5  # ours: keeps "aaaaaaaaaaaa" out and nothing that anybody means

HASHER = PasswordHasher()
"""argon2id with the library's own choice of cost (RFC 9106, section 4, second)."""


def checked(text: str) -> str:
    """Return a new password in the form that is kept.

    Raises
    ------
    InputError
        It is too short, too long or of too few different characters.
    """
    found = plain(text)
    if len(found) < LEAST:
        raise InputError(
            f"password: has {len(found)} characters, expected at least {LEAST}; "
            "several words in a row are easily remembered"
        )
    if len(found) > MOST:
        raise InputError(f"password: has {len(found)} characters, expected at most {MOST}")
    if len(set(found)) < _LEAST_DIFFERENT:
        raise InputError(
            f"password: has {len(set(found))} different characters, "
            f"expected at least {_LEAST_DIFFERENT}"
        )
    return found


def plain(text: str) -> str:
    """Return a password independent of how a keyboard composes its signs (NIST SP 800-63B)."""
    return unicodedata.normalize("NFKC", text)


def from_file(path: Path) -> str:
    """Read a password from a file, for a service.

    Raises
    ------
    InputError
        As `read_secret`, or it is not a password.
    """
    return checked(read_secret(path, f"password file {path}"))


def is_set(database: Database) -> bool:
    """Whether there is a password."""
    return hash_of(database) is not None


def hash_of(database: Database) -> str | None:
    """Return the password's hash, or None where there is no password."""
    rows = database.read("SELECT hash FROM password")
    return str(rows[0][0]) if rows else None


def put(database: Database, text: str) -> None:
    """Set the password in place of any before, and end every sign-in.

    Raises
    ------
    InputError
        As `checked`.
    """
    made = HASHER.hash(checked(text))
    with database.writing() as db:
        db.execute("DELETE FROM password")
        db.execute(
            "INSERT INTO password (hash, set_utc) VALUES (?, ?)",
            (made, utc_text(datetime.now(UTC))),
        )
        db.execute("DELETE FROM sign_ins")


def put_if_other(database: Database, text: str) -> bool:
    """Set the password unless it is the one already; return whether it was set."""
    have = hash_of(database)
    if have is not None and matches(have, text):
        return False
    put(database, text)
    return True


def matches(hashed: str, text: str) -> bool:
    """Whether a text is the password of a hash."""
    if len(text) > 4 * MOST:
        return False
    try:
        return HASHER.verify(hashed, plain(text))
    except (VerifyMismatchError, InvalidHashError):
        return False
