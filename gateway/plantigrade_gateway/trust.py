"""What is said of a server's certificate that is not trusted, and what to do about it."""

_ADVICE = {
    "has expired": "see to a new one there, and to this machine's clock",
    "not yet valid": "see to the clocks of both machines",
    "mismatch": "name it in {address} as its certificate does",
}
"""By what OpenSSL's reasons hold (X509_verify_cert_error_string); no other file helps there."""


def untrusted(reason: str, address: str, ca_file: str) -> str:
    """Return why a server is not spoken to, as the end of a sentence.

    Parameters
    ----------
    reason : str
        OpenSSL's; empty where it gave none.
    address, ca_file : str
        The settings that name the server, and the certificates that are trusted.
    """
    advice = next((text for word, text in _ADVICE.items() if word in reason), f"set {ca_file}")
    said = reason.rstrip(".") or "not verified"
    return f"its certificate is not trusted ({said}): {advice.format(address=address)}"
