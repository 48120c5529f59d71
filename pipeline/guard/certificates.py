"""Who vouches for the shop's broker? A certificate authority of the shop's own, and what it signs.

Elliptic-curve keys (P-256), X.509 version 3 with the extensions that RFC 5280, 4.2.1 asks of an authority
and of an end entity.
"""

import ipaddress
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final, NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from edge.errors import InputError

CA_LASTS: Final = timedelta(days=3650)
# Renewed by calling broker-config again; long enough that a shop does not stop over a forgotten date.
SIGNED_LASTS: Final = timedelta(days=825)
_EARLIER: Final = timedelta(days=1)  # a board whose clock runs behind must not refuse a new certificate


class Signed(NamedTuple):
    """A certificate and its private key, both PEM."""

    certificate: bytes
    key: bytes


def make_authority(site: str, now: datetime) -> Signed:
    """A new authority for one shop. now : aware"""
    key = ec.generate_private_key(ec.SECP256R1())
    name = _named(f"{site} shop authority")
    built = (
        _begun(name, name, key.public_key(), now, CA_LASTS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .sign(key, hashes.SHA256())
    )
    return Signed(built.public_bytes(serialization.Encoding.PEM), _pem(key))


def sign_server(authority: Signed, hosts: Sequence[str], now: datetime) -> Signed:
    """The broker's certificate, for the names and addresses at which edges call it."""
    names: list[x509.GeneralName] = []
    for host in hosts:
        try:
            names.append(x509.IPAddress(ipaddress.ip_address(host)))
        except ValueError:
            names.append(x509.DNSName(host))
    return _sign(authority, hosts[0], names, ExtendedKeyUsageOID.SERVER_AUTH, now)


def sign_client(authority: Signed, user: str, now: datetime) -> Signed:
    """A certificate by which an edge or the pipeline is known: its common name is the user."""
    return _sign(authority, user, [], ExtendedKeyUsageOID.CLIENT_AUTH, now)


def sign_revocations(authority: Signed, serials: Iterable[int], now: datetime) -> bytes:
    """The list of certificates that hold no longer, PEM (RFC 5280, 5). serials : of all there ever were."""
    issuer = x509.load_pem_x509_certificate(authority.certificate)
    signer = serialization.load_pem_private_key(authority.key, None)
    assert isinstance(signer, ec.EllipticCurvePrivateKey)
    building = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(issuer.subject)
        .last_update(now - _EARLIER)
        # A broker lets nobody in by a list that is out of date, so it holds as long as the authority does.
        .next_update(issuer.not_valid_after_utc)
    )
    for serial in sorted(set(serials)):
        gone = x509.RevokedCertificateBuilder().serial_number(serial).revocation_date(now)
        building = building.add_revoked_certificate(gone.build())
    return building.sign(signer, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)


def revoked_serials(revocations: bytes) -> set[int]:
    """Serial numbers on such a list."""
    return {one.serial_number for one in x509.load_pem_x509_crl(revocations)}


def serial_of(certificate: bytes) -> int:
    """The serial number of a PEM certificate."""
    return x509.load_pem_x509_certificate(certificate).serial_number


def expires_at(certificate: bytes, where: str) -> datetime:
    """Until when a PEM certificate holds, in UTC. Raises InputError if it is none."""
    try:
        return x509.load_pem_x509_certificate(certificate).not_valid_after_utc
    except ValueError:
        raise InputError("is no certificate", where=where, do="remove it, and make it anew") from None


def _sign(
    authority: Signed,
    name: str,
    also: Sequence[x509.GeneralName],
    purpose: x509.ObjectIdentifier,
    now: datetime,
) -> Signed:
    issuer = x509.load_pem_x509_certificate(authority.certificate)
    signer = serialization.load_pem_private_key(authority.key, None)
    assert isinstance(signer, ec.EllipticCurvePrivateKey)
    key = ec.generate_private_key(ec.SECP256R1())
    until = min(now + SIGNED_LASTS, issuer.not_valid_after_utc)
    building = (
        _begun(_named(name), issuer.subject, key.public_key(), now, until - now)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), critical=False
        )
    )
    if also:
        building = building.add_extension(x509.SubjectAlternativeName(also), critical=False)
    built = building.sign(signer, hashes.SHA256())
    return Signed(built.public_bytes(serialization.Encoding.PEM), _pem(key))


def _begun(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, now: datetime, lasts: timedelta
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _EARLIER)
        .not_valid_after(now + lasts)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key), critical=False)
    )


def _named(name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name[:64])])


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
