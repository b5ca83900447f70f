"""Certificates for tests: an authority that signs those of a broker and of its clients."""

import datetime as dt
import ipaddress
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

_DAY = dt.timedelta(days=1)
_PEM = serialization.Encoding.PEM


class Authority:
    """Signs certificates; its own is at ``path``, in PEM form."""

    def __init__(self, folder: Path, name: str = "test authority") -> None:
        self.folder = folder
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        self._key = ec.generate_private_key(ec.SECP256R1())
        signs = x509.KeyUsage(
            digital_signature=True,
            content_commitment=False,
            key_encipherment=False,
            data_encipherment=False,
            key_agreement=False,
            key_cert_sign=True,
            crl_sign=True,
            encipher_only=False,
            decipher_only=False,
        )
        certificate = self._sign(
            self._name, self._key, 1, (x509.BasicConstraints(ca=True, path_length=0), True), (signs, True)
        )
        self.path = folder / f"{name}.pem"
        self.path.write_bytes(certificate.public_bytes(_PEM))

    def issue(self, name: str, *, days: int = 1, password: str = "") -> tuple[Path, Path]:
        """Return ``(certificate, key)``, files for ``name`` at 127.0.0.1, valid until in so many ``days``."""
        key = ec.generate_private_key(ec.SECP256R1())
        address = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        certificate = self._sign(subject, key, days, (address, False))
        encryption = (
            serialization.BestAvailableEncryption(password.encode()) if password else serialization.NoEncryption()
        )
        paths = self.folder / f"{name}.pem", self.folder / f"{name}.key"
        paths[0].write_bytes(certificate.public_bytes(_PEM))
        paths[1].touch(0o600)
        paths[1].write_bytes(key.private_bytes(_PEM, serialization.PrivateFormat.PKCS8, encryption))
        return paths

    def _sign(
        self,
        subject: x509.Name,
        key: ec.EllipticCurvePrivateKey,
        days: int,
        *extensions: tuple[x509.ExtensionType, bool],
    ) -> x509.Certificate:
        now = dt.datetime.now(dt.UTC)
        builder = x509.CertificateBuilder(
            self._name, subject, key.public_key(), x509.random_serial_number(), now - 30 * _DAY, now + days * _DAY
        )
        ours = x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key())
        theirs = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
        for extension, critical in ((ours, False), (theirs, False), *extensions):
            builder = builder.add_extension(extension, critical)
        return builder.sign(self._key, hashes.SHA256())
