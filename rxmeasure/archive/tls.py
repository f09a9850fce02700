"""TLS: whom to trust, and our own certificate."""

from __future__ import annotations

import ssl
from collections.abc import Callable

from rxmeasure.archive.config import Security
from rxmeasure.errors import ArchiveError


def client_context(security: Security) -> ssl.SSLContext:
    """For connections that we open; the archive's certificate and name are checked.

    Raises
    ------
    ArchiveError
        A file of certificates that cannot be used.
    """
    return _loaded(lambda: ssl.create_default_context(cafile=security.ca_file), security)


def server_context(security: Security, timeout_s: float) -> ssl.SSLContext:
    """For connections that the archive opens to us; it has to show a certificate.

    Parameters
    ----------
    security : Security
    timeout_s : float
        Time for the opening of a connection, so that nobody who stays silent holds up others.

    Raises
    ------
    ArchiveError
        A file of certificates that cannot be used.
    """

    def make() -> ssl.SSLContext:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH, cafile=security.ca_file)
        context.verify_mode = ssl.CERT_REQUIRED
        context.sslsocket_class = _opened_within(timeout_s)
        return context

    return _loaded(make, security)


def _opened_within(timeout_s: float) -> type[ssl.SSLSocket]:
    class Socket(ssl.SSLSocket):
        def do_handshake(self, block: bool = False) -> None:
            before_s = self.gettimeout()
            self.settimeout(timeout_s)
            super().do_handshake(block)
            self.settimeout(before_s)

    return Socket


def _loaded(make: Callable[[], ssl.SSLContext], security: Security) -> ssl.SSLContext:
    try:
        context = make()
        # BCP 195 (RFC 9325), which PS3.15 B.9 to B.13 follow.
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if security.certificate is not None:
            context.load_cert_chain(security.certificate, security.certificate_key)
    except (OSError, ssl.SSLError) as error:
        raise ArchiveError(
            found=f"certificates that cannot be used: {error.strerror or error}.",
            needed="PEM files: ca_file, and a certificate with its key without a password.",
            next_step="Check the files that the settings name.",
        ) from error
    return context
