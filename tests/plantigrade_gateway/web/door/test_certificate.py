"""A certificate is looked at before it is served: one sentence for each way it cannot be."""

import os
import ssl
import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from tests.support.certificates import made

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.web.door.certificate import checked


def refused(cert: Path | None, key: Path | None) -> str:
    with pytest.raises(InputError) as error:
        checked(cert, key)
    said = str(error.value)
    assert "\n" not in said and said.startswith("--tls-")
    return said


def test_a_certificate_in_order_gives_its_names(tmp_path):
    found = checked(*made(tmp_path))
    assert found is not None
    assert found.names == ("bay.local", "bay.example")


def test_one_made_by_openssl_is_taken(tmp_path):
    cert, key = tmp_path / "c.pem", tmp_path / "k.pem"
    asked = "openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=x"
    names = ["-addext", "subjectAltName=DNS:bay.local"]
    command = [*asked.split(), *names, "-keyout", key, "-out", cert]
    subprocess.run(command, check=True, capture_output=True)
    found = checked(cert, key)
    assert found is not None and found.names == ("bay.local",)


def test_without_one_there_is_none():
    assert checked(None, None) is None


def test_each_needs_the_other(tmp_path):
    cert, key = made(tmp_path)
    assert refused(cert, None) == "--tls-cert: needs --tls-key beside it"
    assert refused(None, key) == "--tls-key: needs --tls-cert beside it"


def test_a_missing_file_is_named(tmp_path):
    cert, key = made(tmp_path)
    assert refused(tmp_path / "no", key) == (
        f"--tls-cert {tmp_path / 'no'}: cannot be read: No such file or directory"
    )
    assert "--tls-key" in refused(cert, tmp_path / "no")
    assert "cannot be read" in refused(tmp_path, key)


def test_neither_a_pipe_nor_a_file_without_an_end_is_waited_for(tmp_path):
    cert, key = made(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    assert "is a pipe, expected a file" in refused(tmp_path / "pipe", key)
    assert "is a pipe, expected a file" in refused(cert, tmp_path / "pipe")
    assert "longer than" in refused(Path("/dev/zero"), key)


def test_a_file_of_another_kind_is_named(tmp_path):
    cert, key = made(tmp_path)
    assert "holds no PEM block with a certificate" in refused(key, cert)
    assert "holds no PEM block with a private key" in refused(cert, cert)
    (tmp_path / "torn").write_text(cert.read_text()[:200] + "\n-----END CERTIFICATE-----\n")
    assert "cannot be used" in refused(tmp_path / "torn", key)


def test_a_key_of_another_certificate_is_named(tmp_path):
    (cert, key), (_, other) = made(tmp_path), made(tmp_path, "other")
    assert refused(cert, other) == f"--tls-key {other}: is not the key of --tls-cert {cert}"
    assert checked(cert, key) is not None


def test_a_certificate_out_of_its_time_is_named(tmp_path):
    assert "has expired; give a certificate" in refused(*made(tmp_path, "old", (-30, -1)))
    assert "is not valid yet" in refused(*made(tmp_path, "new", (1, 30)))


def test_a_locked_key_does_not_hang_the_start(tmp_path):
    cert, key = made(tmp_path)
    private = serialization.load_pem_private_key(key.read_bytes(), None)
    key.write_bytes(
        private.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.BestAvailableEncryption(b"passphrase"),
        )
    )
    assert "is locked with a passphrase" in refused(cert, key)


def test_the_check_leaves_the_files_usable(tmp_path):
    cert, key = made(tmp_path)
    checked(cert, key)
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key)
