"""How a broker proves who it is, and we to it."""

from __future__ import annotations

import ssl

from acquire.outward import MqttConfig

__all__ = ["tls_context"]


def tls_context(settings: MqttConfig, handshake_s: float) -> ssl.SSLContext:
    """Give a context that checks name and certificate, with a handshake that ends.

    Raises:
        OSError: a file is missing or is no certificate or key.

    """
    context = ssl.create_default_context(
        cafile=None if settings.ca_file is None else str(settings.ca_file)
    )

    class Hasty(ssl.SSLSocket):
        """paho would give the handshake as long as the keep-alive lasts, in a thread that a stop
        waits for, and would leave the socket open when it fails.
        """

        def do_handshake(self, block: bool = False) -> None:
            self.settimeout(handshake_s)
            try:
                super().do_handshake(block)
            except BaseException:
                self.close()
                raise

    context.sslsocket_class = Hasty
    if settings.cert_file is not None:
        context.load_cert_chain(settings.cert_file, settings.key_file)
    return context
