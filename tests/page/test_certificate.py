"""The certificate of the live page, against Python's own ssl module; its QR code, read by zxing."""

import hashlib
import ssl
import stat
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from assistant.adapters.page.certificate import LASTS, kept_certificate
from assistant.adapters.page.qr import qr_lines
from assistant.errors import LeafcallError

pytest.importorskip("cryptography")
NOW = datetime(2026, 3, 1, tzinfo=UTC)
NAMES, ADDRESSES = ("bench.local", "localhost"), ("127.0.0.1", "192.0.2.7")


def test_it_is_kept_and_its_fingerprint_is_that_of_its_der_form(tmp_path: Path) -> None:
    made = kept_certificate(tmp_path, names=NAMES, addresses=ADDRESSES, now=NOW)
    der = ssl.PEM_cert_to_DER_cert(made.path.read_text())
    assert made.fingerprint.replace(":", "").lower() == hashlib.sha256(der).hexdigest()
    again = kept_certificate(tmp_path, names=(), addresses=(), now=NOW + timedelta(days=300))
    assert again == made
    if sys.platform != "win32":
        assert stat.S_IMODE(made.key_path.stat().st_mode) == 0o600
    # A server that is made of it takes key and certificate as a pair.
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(made.path, made.key_path)


def test_it_names_this_machine_and_lasts_as_long_as_phones_allow(tmp_path: Path) -> None:
    made = kept_certificate(tmp_path, names=NAMES, addresses=ADDRESSES, now=NOW)
    told = ssl._ssl._test_decode_cert(str(made.path))  # type: ignore[attr-defined]
    assert set(told["subjectAltName"]) == {
        *(("DNS", name) for name in NAMES), *(("IP Address", one) for one in ADDRESSES)
    }  # fmt: skip
    ends = ssl.cert_time_to_seconds(told["notAfter"])
    assert ends - ssl.cert_time_to_seconds(told["notBefore"]) == LASTS.total_seconds()
    assert timedelta(days=398) > LASTS


@pytest.mark.parametrize("later", [timedelta(days=370), timedelta(days=500)])
def test_one_that_ends_soon_is_made_anew(tmp_path: Path, later: timedelta) -> None:
    made = kept_certificate(tmp_path, names=NAMES, addresses=ADDRESSES, now=NOW)
    new = kept_certificate(tmp_path, names=NAMES, addresses=ADDRESSES, now=NOW + later)
    assert new.fingerprint != made.fingerprint


def test_one_that_is_none_is_made_anew(tmp_path: Path) -> None:
    made = kept_certificate(tmp_path, names=NAMES, addresses=ADDRESSES, now=NOW)
    made.path.write_text("no certificate")
    new = kept_certificate(tmp_path, names=NAMES, addresses=ADDRESSES, now=NOW)
    assert new.fingerprint not in ("", made.fingerprint)


def test_one_that_cannot_be_kept_is_told(tmp_path: Path) -> None:
    (tmp_path / "page").write_text("no folder")
    with pytest.raises(LeafcallError, match="cannot be kept"):
        kept_certificate(tmp_path / "page", names=NAMES, addresses=ADDRESSES, now=NOW)


@pytest.mark.parametrize(
    "address", ["https://192.0.2.7:8471/#code=ABCDEFGH", "http://localhost:1/", "x" * 200]
)
def test_the_qr_code_reads_as_what_was_written(address: str) -> None:
    zxingcpp = pytest.importorskip("zxingcpp")
    lines = qr_lines(address)
    assert len({len(line) for line in lines}) == 1
    halves = {" ": (0, 0), "▀": (1, 0), "▄": (0, 1), "█": (1, 1)}
    rows = [[halves[c][half] for c in line] for line in lines for half in (0, 1)]
    picture = np.kron(255 * (1 - np.array(rows)), np.ones((4, 4))).astype(np.uint8)
    read = zxingcpp.read_barcodes(picture)
    assert [one.text for one in read] == [address]
