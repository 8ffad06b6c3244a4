"""Certificates to serve pages under, made for a test."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


def made(
    folder: Path,
    name: str = "bay",
    days: tuple[int, int] = (-1, 30),
    names: tuple[str, ...] = ("bay.local", "Bay.Example", "*.example"),
) -> tuple[Path, Path]:
    """Make a certificate for some names, valid from and to so many days from now."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"{name}.local")])
    now = datetime.now(UTC)
    cert = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + timedelta(days=days[0]))
        .not_valid_after(now + timedelta(days=days[1]))
        .add_extension(
            x509.SubjectAlternativeName([x509.DNSName(each) for each in names]), critical=False
        )
        .sign(key, hashes.SHA256())
    )
    cert_path, key_path = folder / f"{name}.crt", folder / f"{name}.key"
    cert_path.write_bytes(cert.public_bytes(serialization.Encoding.PEM))
    key_path.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return cert_path, key_path
