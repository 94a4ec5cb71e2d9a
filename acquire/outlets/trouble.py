"""What goes wrong between us and a broker, and what a person can do about it."""

from __future__ import annotations

import errno
import socket
import ssl
from collections.abc import Iterator

__all__ = ["LinkLost", "LinkRefused", "NoSuchVersion", "explained", "refusal"]


class LinkLost(Exception):
    """The connection cannot be made or is gone; says why."""


class LinkRefused(LinkLost):
    """The broker answered and would not have us; says why."""


class NoSuchVersion(LinkLost):
    """The broker does not speak this version of MQTT, or seems not to."""


_HUNG_UP = (
    "the broker hung up without an answer: it may want TLS (tls = true, port 8883), the other "
    "transport, or refuse this client (its own log says)"
)
_CODES = {  # reason codes of MQTT 5 (section 3.2.2.2)
    0x86: "set user and password_file under [mqtt], and look at the broker's list of users",
    0x87: "the broker wants a user it knows: set user and password_file under [mqtt]; or its rules "
    "keep this user or client id out",
    0x85: "another client_id under [mqtt] may do",
    0x8A: "the broker has banned this client: its own configuration or log says why",
    0x97: "the broker's quota is used up: try later, or raise it there",
    0x89: "the broker is busy: it is tried again",
    0x88: "the broker is not available: it is tried again",
}
_OLDER = {2: 0x85, 3: 0x88, 4: 0x86, 5: 0x87}
"""Return codes of MQTT 3.1.1 (section 3.2.2.3) that say the same."""


def refusal(reason: object, code: object) -> str:
    """Say that the broker would not have us, and what to do."""
    todo = _CODES.get(_OLDER.get(code, code)) if isinstance(code, int) else None
    return f"the broker refused: {reason}" + (f": {todo}" if todo else "")


def explained(error: BaseException | None) -> str:
    """Say what happened and what to do; without an error the broker hung up."""
    if error is None:
        return _HUNG_UP
    text = str(error) or type(error).__name__
    todo = next((said for one in _chain(error) if (said := _todo(one))), "")
    return f"{text}: {todo}" if todo else text


def _chain(error: BaseException) -> Iterator[BaseException]:
    seen: BaseException | None = error
    for _ in range(6):  # causes of causes end soon
        if seen is None:
            return
        yield seen
        seen = seen.__cause__ or seen.__context__


def _todo(error: BaseException) -> str:  # noqa: PLR0911 - a table that needs guards
    match error:
        case ssl.SSLCertVerificationError() if "IP address mismatch" in str(error) or (
            "Hostname mismatch" in str(error)
        ):
            return "the certificate is for another name: write that one as host"
        case ssl.SSLCertVerificationError():
            return (
                "its certificate is signed by nobody we know: name the certificate of the "
                "authority that signed it as ca_file"
            )
        case ssl.SSLError() if "WRONG_VERSION_NUMBER" in str(error):
            return "no TLS is spoken at that port: 8883 is usual with TLS, 1883 without"
        case ssl.SSLError() if "ALERT" in str(error):
            return "the broker wants a certificate of ours: cert_file and key_file"
        case socket.gaierror():
            return "no machine is known by that name: look at host under [mqtt]"
        case ConnectionRefusedError():
            return "nothing listens there: is the broker running, and at that port?"
        case ConnectionResetError():
            return _HUNG_UP.partition(": ")[2]
        case TimeoutError():
            return "nobody answers there: wrong address, a firewall, or a machine that is off?"
        case PermissionError():
            return "this machine forbids the connection"
        case OSError() if error.errno in {errno.ENETUNREACH, errno.EHOSTUNREACH}:
            return "that machine cannot be reached: is it on, is this one in the network?"
    return ""
