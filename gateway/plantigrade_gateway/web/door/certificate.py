"""The TLS certificate that the pages are served under: usable or not, said before it is used."""

import ssl
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from cryptography import x509

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.foreign import read_file


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
    return Certificate(cert, key, _names_if_valid_today(cert))


class _Locked(Exception):
    """A key asks for a passphrase; nobody may be there to type it."""


def _no_password() -> str:
    raise _Locked


def _look_at(path: Path, option: str, what: str) -> None:
    text = read_file(path, f"{option} {path}").decode("ascii", "replace")
    if not any(line.startswith("-----BEGIN") and what in line for line in text.splitlines()):
        raise InputError(f"{option} {path}: holds no PEM block with a {what.lower()}")


def _names_if_valid_today(cert: Path) -> tuple[str, ...]:
    """Return the DNS names without a wildcard, lower case; refuse one that is out of its time."""
    try:
        leaf = x509.load_pem_x509_certificates(cert.read_bytes())[0]  # who signed it may follow
    except ValueError as error:
        raise InputError(f"--tls-cert {cert}: cannot be used ({error})") from None
    now = datetime.now(UTC)
    if not leaf.not_valid_before_utc <= now <= leaf.not_valid_after_utc:
        what = "has expired" if now > leaf.not_valid_after_utc else "is not valid yet"
        raise InputError(f"--tls-cert {cert}: {what}; give a certificate that is valid today")
    try:
        found = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except (ValueError, x509.ExtensionNotFound, x509.DuplicateExtension):
        return ()  # what else a browser makes of it is between it and its user
    names = found.value.get_values_for_type(x509.DNSName)
    return tuple(name.lower() for name in names if "*" not in name)
