"""Why there is no connection to the broker, in sentences for the person who set it up."""

from __future__ import annotations

import socket
import ssl

from stillwell.deliver.mqtt.exchange import Address


def refusal_sentence(code: int, name: str, address: Address) -> str:
    """Returns what a CONNACK that refuses means for the person who set the broker up.

    Codes: MQTT 5.0 (OASIS), table 3-1; paho translates those of MQTT 3.1.1 to them.
    """
    at = f"at {address.host}:{address.port}"
    if code in (0x86, 0x87):
        if address.username is None:
            return (
                f"The broker {at} demands a user name and password: "
                f"set `username` and the password of {address.section}."
            )
        return (
            f"The broker refuses the user name or password: check `username` and the password of "
            f"{address.section} (broker {at})."
        )
    if code == 0x84:
        return (
            f"The broker {at} does not speak this version of MQTT: "
            f'write protocol = "auto" in {address.section}.'
        )
    if code == 0x85:
        return f"The broker {at} does not take the client id {address.client_id}."
    return f"The broker {at} refuses the connection: {name}."


def failure_sentence(error: BaseException | None, address: Address) -> str:
    """Returns what a failed attempt to connect means, without the exception's own words."""
    at = f"{address.host}:{address.port}"
    match error:
        case ssl.SSLCertVerificationError():
            return (
                f"The certificate of the broker at {at} is not trusted: {error.verify_message}. "
                f"Check `ca` and `host` in {address.section}, and the clock."
            )
        case ssl.SSLError():
            return (
                f"No TLS with the broker at {at} ({error.reason or 'hand-shake failed'}): check "
                f"`tls`, `port`, `certificate` and `key` in {address.section}."
            )
        case ConnectionRefusedError():
            return f"Nothing listens at {at}: is the broker running?"
        case socket.gaierror():
            return (
                f"The name {address.host} is not known: check `host` in {address.section}, and DNS."
            )
        case TimeoutError():
            return f"Nothing answers at {at}: check `host`, the network and the firewall."
        case OSError(errno=int(number)):
            return f"The broker at {at} cannot be reached (errno {number})."
        case _:
            return f"The broker at {at} cannot be reached."
