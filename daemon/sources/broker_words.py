"""Why a broker cannot be used, in words that say what to do."""

import errno
import socket
import ssl

_ERRNO_WORDS = {
    errno.ECONNREFUSED: "connection refused: is the broker running, and is the port right?",
    errno.EHOSTUNREACH: "no route to the host: is it switched on and on this network?",
    errno.ENETUNREACH: "network unreachable: is this machine on the network?",
    errno.ETIMEDOUT: "no answer: is the host switched on, and is the port right?",
    errno.ECONNRESET: "the broker closed the connection while connecting: does this port want TLS?",
}

_REASON_WORDS = {
    "Bad user name or password": "user name or password refused by the broker",
    "Not authorized": "not authorised by the broker: check user name and password",
    "Client identifier not valid": "the broker refuses this client's name",
    "Unsupported protocol version": "the broker does not speak MQTT 5; a newer broker is needed",
    "Session taken over": "another collector with the same name took over the session: stop one of them",
    "Server shutting down": "the broker is shutting down",
}


def words_of_error(error: Exception) -> str:
    """What an exception of connecting means."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return _certificate_words(error)
    if isinstance(error, ssl.SSLError):
        return f"TLS failed: does this port speak TLS? ({error.reason or error})"
    if isinstance(error, socket.gaierror):
        return "host name not found: check its spelling, and whether the name server can be reached"
    if isinstance(error, TimeoutError):
        return _ERRNO_WORDS[errno.ETIMEDOUT]
    if isinstance(error, OSError) and error.errno in _ERRNO_WORDS:
        return _ERRNO_WORDS[error.errno]
    return f"cannot connect: {error}"


def words_of_reason(reason: str) -> str:
    """What a reason code of the broker means; the standard's own name where there is nothing to add."""
    return _REASON_WORDS.get(reason, reason[:1].lower() + reason[1:])


def _certificate_words(error: ssl.SSLCertVerificationError) -> str:
    """Name, issuer or time: the three things that are wrong with certificates."""
    why = error.verify_message or str(error)
    if "not yet valid" in why or "expired" in why:
        return f"TLS certificate refused: {why}; check this machine's clock first"
    if "mismatch" in why or "not valid for" in why:
        return f"TLS certificate refused: {why}; write the host name that the certificate names"
    return f"TLS certificate refused: {why}; name the issuer's certificate as ca_file"
