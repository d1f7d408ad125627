"""The encrypted line of a ward without internet: an authority and a certificate made on this machine.

A public authority certifies nobody on a closed network, so the site is its own. Its certificate is installed once on
each device that opens the app; whoever installs it compares the fingerprint with the one shown here. The authority may
vouch for the names given and for no others (RFC 5280, section 4.2.1.10), so a device that trusts it trusts it for
nothing else. Keys are readable to their owner only.
"""

from __future__ import annotations

import ipaddress
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from airyoke.quantities import Finding, Refused

AUTHORITY_LASTS: Final = timedelta(days=3650)
CERTIFICATE_LASTS: Final = timedelta(days=800)
"""Some tablets take no longer one than 825 days, even from an authority of the site's own (from memory)."""
RENEWED_BEFORE: Final = timedelta(days=60)
_CLOCKS_DIFFER: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Line:
    """What the encrypted line is made of. ``authority`` is the file that devices install, ``fingerprint`` its SHA-256
    as browsers show it, ``until`` when the certificate ends; ``new_authority`` says that devices must install it."""

    authority: Path
    certificate: Path
    key: Path
    fingerprint: str
    until: datetime
    new_authority: bool


def encrypted_line(folder: Path, names: Sequence[str], now: datetime) -> Line:
    """The line for these host names and addresses, kept in ``folder``; made or renewed where that is due.

    The authority is kept as long as it covers every name. Raises :class:`airyoke.quantities.Refused` where the folder
    cannot be written or holds something else, and for a name that is none.
    """
    wanted = [_general_name(one) for one in names]
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        known = _kept_authority(folder, wanted, now)
        authority, authority_key = known or _new_authority(folder, wanted, now)
        until = _kept_until(folder, authority, wanted, now) if known else None
        until = until or _new_certificate(folder, authority, authority_key, wanted, now)
    except (OSError, ValueError, TypeError) as error:
        reason = f"the certificate cannot be made or read in {folder}: {error}"
        raise _refused("certificate-folder", reason, "name another --line-folder, or give --certificate and --key"
                       ) from None  # fmt: skip
    digest = authority.fingerprint(hashes.SHA256())
    return Line(
        folder / "authority.crt", folder / "server.crt", folder / "server.key", digest.hex(":").upper(), until,
        known is None,
    )  # fmt: skip


def _general_name(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name.strip("[]")))
    except ValueError:
        pass
    labels = name.casefold().split(".")
    if not all(0 < len(one) <= 63 and one.replace("-", "").isalnum() and one.isascii() for one in labels):
        raise _refused("host-name", f"{name!r} is neither an address nor a host name", "give it as browsers type it")
    return x509.DNSName(name.casefold())


def _permitted(name: x509.GeneralName) -> x509.GeneralName:
    """The subtree that holds this name alone."""
    return x509.IPAddress(ipaddress.ip_network(name.value)) if isinstance(name, x509.IPAddress) else name


def _kept_authority(
    folder: Path, wanted: list[x509.GeneralName], now: datetime
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey] | None:
    if not (folder / "authority.crt").exists():
        return None
    kept = x509.load_pem_x509_certificate((folder / "authority.crt").read_bytes())
    key = serialization.load_pem_private_key((folder / "authority.key").read_bytes(), None)
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise ValueError("authority.key is of another kind")
    covered = kept.extensions.get_extension_for_class(x509.NameConstraints).value.permitted_subtrees or []
    lasts = kept.not_valid_after_utc > now + CERTIFICATE_LASTS
    return (kept, key) if lasts and all(_permitted(one) in covered for one in wanted) else None


def _kept_until(
    folder: Path, authority: x509.Certificate, wanted: list[x509.GeneralName], now: datetime
) -> datetime | None:
    if not (folder / "server.crt").exists() or not (folder / "server.key").exists():
        return None
    kept = x509.load_pem_x509_certificate((folder / "server.crt").read_bytes())
    names = list(kept.extensions.get_extension_for_class(x509.SubjectAlternativeName).value)
    lasts = kept.not_valid_after_utc > now + RENEWED_BEFORE
    return kept.not_valid_after_utc if lasts and kept.issuer == authority.subject and names == wanted else None


def _new_authority(
    folder: Path, wanted: list[x509.GeneralName], now: datetime
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    key = ec.generate_private_key(ec.SECP256R1())
    named = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"Airyoke ward line {x509.random_serial_number():x}")])
    usage = x509.KeyUsage(
        digital_signature=False, content_commitment=False, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=True, crl_sign=True, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    made = (
        _builder(named, named, key, now, AUTHORITY_LASTS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.NameConstraints([_permitted(one) for one in wanted], None), critical=True)
        .sign(key, hashes.SHA256())
    )
    _write(folder / "authority.key", _pem(key))
    _write(folder / "authority.crt", made.public_bytes(serialization.Encoding.PEM))
    return made, key


def _new_certificate(
    folder: Path, authority: x509.Certificate, authority_key: ec.EllipticCurvePrivateKey,
    wanted: list[x509.GeneralName], now: datetime,
) -> datetime:  # fmt: skip
    key = ec.generate_private_key(ec.SECP256R1())
    named = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Airyoke")])
    made = (
        _builder(named, authority.subject, key, now, CERTIFICATE_LASTS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName(wanted), critical=False)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()), critical=False
        )
        .sign(authority_key, hashes.SHA256())
    )
    _write(folder / "server.key", _pem(key))
    _write(folder / "server.crt", made.public_bytes(serialization.Encoding.PEM))
    return made.not_valid_after_utc


def _builder(subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, now: datetime,
             lasts: timedelta) -> x509.CertificateBuilder:  # fmt: skip
    at = now.astimezone(UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(at - _CLOCKS_DIFFER)
        .not_valid_after(at + lasts)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )


def _pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )


def _write(path: Path, content: bytes) -> None:
    """Whole or not at all, and readable to the owner only."""
    half = path.with_suffix(path.suffix + ".half")
    half.unlink(missing_ok=True)
    with os.fdopen(os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(content)
    half.replace(path)


def _refused(finding_id: str, reason: str, remedy: str) -> Refused:
    return Refused((Finding(finding_id, "refused", reason, remedy),))
