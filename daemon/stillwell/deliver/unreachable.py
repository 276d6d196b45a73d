"""Why a connection failed, in words that hold no secret.

The text of a foreign exception may hold a URL with a password or a token in it, so none of it is
passed on: the words follow from the exception's kind alone.
"""

from __future__ import annotations

import socket
import ssl
from collections.abc import Iterator


def reason_of(error: BaseException, at: str) -> str:
    """Returns one sentence about `error`, or about the exception that caused it.

    Args:
        at: host and port, as a person may see them.
    """
    for each in _chain(error):
        match each:
            case ssl.SSLCertVerificationError():
                return f"The certificate of {at} is not accepted: {each.verify_message}."
            case ssl.SSLError():
                return f"No TLS connection to {at} could be made: does it speak TLS there?"
            case socket.gaierror():
                return f"The name in {at} cannot be looked up: check the name, the network and DNS."
            case TimeoutError():
                return f"{at} does not answer in time."
            case ConnectionRefusedError():
                return f"Nothing listens at {at}: is it running?"
            case ConnectionError():
                return f"{at} broke the connection off."
        # urllib3 wraps some without a cause.
        match type(each).__name__:
            case "NameResolutionError":
                return f"The name in {at} cannot be looked up: check the name, the network and DNS."
            case "ConnectTimeoutError" | "ReadTimeoutError":
                return f"{at} does not answer in time."
    return f"{at} cannot be reached ({type(error).__name__})."


def _chain(error: BaseException) -> Iterator[BaseException]:
    """Yields `error` and the exceptions that caused it, as far as they are known."""
    waiting, seen = [error], set()
    while waiting:
        one = waiting.pop(0)
        if id(one) in seen:
            continue
        seen.add(id(one))
        yield one
        inside = (one.__cause__, one.__context__, getattr(one, "reason", None), *one.args)
        waiting += [each for each in inside if isinstance(each, BaseException)]
