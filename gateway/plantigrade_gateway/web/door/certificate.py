"""The TLS certificate that the pages are served under: usable or not, said before it is used."""

import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from plantigrade_gateway.errors import InputError

_EXPIRED, _NOT_YET = 10, 9  # X509_V_ERR_CERT_HAS_EXPIRED, X509_V_ERR_CERT_NOT_YET_VALID


@dataclass(frozen=True, slots=True)
class Certificate:
    """A certificate and its key that fit together and hold today.

    Attributes
    ----------
    cert, key : Path
        PEM files.
    names : tuple of str
        The names it is for, lower case; empty where they cannot be read.
    """

    cert: Path
    key: Path
    names: tuple[str, ...] = ()


def checked(cert: Path | None, key: Path | None) -> Certificate | None:
    """Return a certificate that can be served, or None where none was named.

    Raises
    ------
    InputError
        One of the two is missing or not what it should be, they do not fit together, or the
        certificate's time is over or has not come; one sentence.
    """
    if cert is None and key is None:
        return None
    if cert is None or key is None:
        have, lack = ("--tls-key", "--tls-cert") if cert is None else ("--tls-cert", "--tls-key")
        raise InputError(f"{have}: needs {lack} beside it")
    _look_at(cert, "--tls-cert", "CERTIFICATE")
    _look_at(key, "--tls-key", "PRIVATE KEY")
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        server.load_cert_chain(cert, key, password=_no_password)
    except _Locked:
        raise InputError(
            f"--tls-key {key}: is locked with a passphrase; give a key without one, "
            "readable by you alone"
        ) from None
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            raise InputError(f"--tls-key {key}: is not the key of --tls-cert {cert}") from None
        raise InputError(f"--tls-cert {cert}: cannot be used ({error.reason})") from None
    return Certificate(cert, key, _names_if_it_holds(cert, server))


class _Locked(Exception):
    """A key asks for a passphrase; nobody may be there to type it."""


def _no_password() -> str:
    raise _Locked


def _look_at(path: Path, option: str, what: str) -> None:
    try:
        text = path.read_text("ascii", errors="replace")
    except OSError as error:
        raise InputError(f"{option} {path}: cannot be read ({error.strerror})") from error
    if not any(line.startswith("-----BEGIN") and what in line for line in text.splitlines()):
        raise InputError(f"{option} {path}: holds no PEM block with a {what.lower()}")


def _names_if_it_holds(cert: Path, server: ssl.SSLContext) -> tuple[str, ...]:
    """Show the certificate to a client of our own, in memory: it tells whether its time is right.

    Python's library reads a certificate's fields only from a handshake that trusted it.
    """
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.check_hostname = False
    client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN  # trust this one, whoever signed it
    client.load_verify_locations(cert)
    try:
        fields = _handshake(client, server)
    except ssl.SSLCertVerificationError as error:
        if error.verify_code in (_EXPIRED, _NOT_YET):
            what = "has expired" if error.verify_code == _EXPIRED else "is not valid yet"
            raise InputError(
                f"--tls-cert {cert}: {what}; give a certificate that is valid today"
            ) from None
        return ()  # what else a browser makes of it is between it and its user
    except ssl.SSLError:
        return ()
    names = fields.get("subjectAltName", ()) if fields else ()
    return tuple(value.lower() for kind, value in names if kind == "DNS" and "*" not in value)


def _handshake(client: ssl.SSLContext, server: ssl.SSLContext) -> dict[str, Any] | None:
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    ends: Sequence[ssl.SSLObject] = (
        client.wrap_bio(to_client, to_server),
        server.wrap_bio(to_server, to_client, server_side=True),
    )
    for _ in range(10):  # a handshake is three flights
        done = 0
        for end in ends:
            try:
                end.do_handshake()
                done += 1
            except ssl.SSLWantReadError:
                pass
        if done == len(ends):
            break
    return ends[0].getpeercert()
