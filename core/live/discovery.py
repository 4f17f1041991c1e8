# SPDX-License-Identifier: GPL-3.0-or-later
"""Look for units at addresses the user named, and ask what they offer."""

from __future__ import annotations

import math
import socket
import time
from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import FormatError, OutputError, SettingError
from .idn import PORT, Command, Hello, ScanResponse, Service, ServiceMap

__all__ = ["FoundUnit", "discover"]

UNITS_MAX = 256


@dataclass(frozen=True, slots=True)
class FoundUnit:
    """A unit that answered.

    Attributes
    ----------
    host
        Where it answered from.
    unit
        What it says of itself.
    services
        What it offers; empty if it did not say.
    """

    host: str
    unit: ScanResponse
    services: tuple[Service, ...]


def discover(
    addresses: Sequence[str], *, port: int = PORT, wait_s: float = 0.5, broadcast: bool = False
) -> list[FoundUnit]:
    """Send a scan request to each address and gather the answers; waits up to twice `wait_s`.

    Parameters
    ----------
    addresses
        Hosts, or with `broadcast` the broadcast addresses of networks, named by the user.
    port
        Of the units.
    wait_s
        Time for answers, 0.01 to 10 s.
    broadcast
        Allow broadcast addresses.

    Raises
    ------
    SettingError
        If no address is given or the time is out of range.
    OutputError
        If an address cannot be used.
    """
    if not addresses:
        raise SettingError("No address to look at; name a host or a network's broadcast address.")
    if not (math.isfinite(wait_s) and 0.01 <= wait_s <= 10.0):
        raise SettingError(f"The time to wait for units is {wait_s:g} s; choose 0.01 to 10.")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as opened:
        if broadcast:
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        for number, address in enumerate(addresses):
            _send(opened, Hello(Command.SCAN_REQUEST, number), address, port)
        units: dict[str, ScanResponse] = {}
        for host, hello in _answers(opened, port, wait_s, Command.SCAN_RESPONSE):
            try:
                if len(units) < UNITS_MAX:
                    units[host] = ScanResponse.decode(hello.payload)
            except FormatError:
                continue
        for number, host in enumerate(units):
            _send(opened, Hello(Command.SERVICE_MAP_REQUEST, number), host, port)
        services: dict[str, tuple[Service, ...]] = {}
        for host, hello in _answers(
            opened, port, wait_s, Command.SERVICE_MAP_RESPONSE, enough=len(units)
        ):
            try:
                if host in units:
                    services[host] = ServiceMap.decode(hello.payload).services
            except FormatError:
                continue
    return [FoundUnit(host, unit, services.get(host, ())) for host, unit in units.items()]


def _send(opened: socket.socket, hello: Hello, address: str, port: int) -> None:
    try:
        opened.sendto(hello.encode(), (address, port))
    except OSError as error:
        raise OutputError(
            f"Cannot send to {address} port {port}: {error.strerror or error}. "
            "Check the address; a broadcast address has to be allowed."
        ) from error


def _answers(
    opened: socket.socket, port: int, wait_s: float, command: Command, enough: int = UNITS_MAX
) -> list[tuple[str, Hello]]:
    """Gather answers of one kind from the units' port until the time is over."""
    found: list[tuple[str, Hello]] = []
    until = time.monotonic() + wait_s
    while len(found) < enough and (remaining := until - time.monotonic()) > 0.0:
        opened.settimeout(remaining)
        try:
            data, sender = opened.recvfrom(4096)
        except TimeoutError:
            break
        except OSError:
            continue
        try:
            hello = Hello.decode(data)
        except FormatError:
            continue
        if hello.command == command and sender[1] == port:
            found.append((sender[0], hello))
    return found
