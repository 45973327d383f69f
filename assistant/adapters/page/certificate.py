"""The certificate of the live page: made by this machine at first use, kept in its data folder.

Browsers give a microphone only to a page that came over TLS, and nobody in the network can read
along. Nobody vouches for it, so a browser warns once; its fingerprint tells that it is this one.
"""

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from assistant.adapters.files.whole_file import write_whole
from assistant.errors import LeafcallError

LASTS = timedelta(days=397)
"""Some systems refuse certificates that last longer than 398 days."""
_RENEW_BEFORE = timedelta(days=30)


@dataclass(frozen=True, slots=True)
class Certificate:
    """Where certificate and key lie (PEM), and the SHA-256 fingerprint as browsers show it."""

    path: Path
    key_path: Path
    fingerprint: str


def kept_certificate(
    folder: Path, *, names: tuple[str, ...], addresses: tuple[str, ...], now: datetime
) -> Certificate:
    """The certificate in ``folder``; a new one if there is none, or it ends within 30 days.

    names, addresses: what the page is called by; only a new certificate learns them.
    Raises LeafcallError if it cannot be kept, or the package cryptography is missing.
    """
    path, key_path = folder / "certificate.pem", folder / "key.pem"
    x509 = _x509()
    try:
        if path.exists() and key_path.exists():
            kept = _usable(x509, path.read_bytes(), now)
            if kept:
                return Certificate(path, key_path, kept)
        folder.mkdir(parents=True, exist_ok=True)
        certificate, key = _made(x509, names, addresses, now)
        write_whole(key_path, key, private=True)
        write_whole(path, certificate)
    except OSError as exc:
        raise LeafcallError(
            f"The certificate of the live page cannot be kept in {folder}: {exc.strerror}. Make "
            "room, or leave --page out."
        ) from exc
    return Certificate(path, key_path, _usable(x509, certificate, now))


def _x509() -> Any:
    try:
        from cryptography import x509
    except ImportError as exc:
        raise LeafcallError(
            "The live page needs the extra 'page': run pip install 'leafcall[page]'."
        ) from exc
    return x509


def _usable(x509: Any, pem: bytes, now: datetime) -> str:
    """The fingerprint of a certificate that still lasts; empty if it does not, or is none."""
    from cryptography.hazmat.primitives.hashes import SHA256

    try:
        certificate = x509.load_pem_x509_certificate(pem)
    except ValueError:
        return ""
    ends = certificate.not_valid_after_utc - _RENEW_BEFORE
    if not certificate.not_valid_before_utc <= now < ends:
        return ""
    return ":".join(f"{byte:02X}" for byte in certificate.fingerprint(SHA256()))


def _made(
    x509: Any, names: tuple[str, ...], addresses: tuple[str, ...], now: datetime
) -> tuple[bytes, bytes]:
    """A certificate signed by its own key, and the key: PEM."""
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "Leafcall at the bench")])
    called = [x509.DNSName(one) for one in names]
    called += [x509.IPAddress(ipaddress.ip_address(one)) for one in addresses]
    begins = now.astimezone(UTC) - timedelta(days=1)  # a phone's clock may be behind
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begins)
        .not_valid_after(begins + LASTS)
        .add_extension(x509.SubjectAlternativeName(called), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(
            x509.ExtendedKeyUsage([x509.ExtendedKeyUsageOID.SERVER_AUTH]), critical=False
        )
        .sign(key, hashes.SHA256())
    )
    return (
        certificate.public_bytes(serialization.Encoding.PEM),
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        ),
    )
