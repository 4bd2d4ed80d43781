"""Where a bench is reached: numeric addresses of this machine, and an address as a picture for a phone."""

from __future__ import annotations

import io
import ipaddress
import socket

# RFC 5737, RFC 3849: nothing is sent
_NOWHERE = {socket.AF_INET: "192.0.2.1", socket.AF_INET6: "2001:db8::1"}
EVERY = ("0.0.0.0", "::")


def numeric_addresses(host: str) -> list[str]:
    """The numeric addresses under which others reach what listens on ``host``, the likeliest first.

    None for loopback. What the machine is called in the network may be unknown to a phone.
    """
    if host not in EVERY:
        return [] if _is_loopback(host) else [host]
    families = (socket.AF_INET,) if host == "0.0.0.0" else (socket.AF_INET, socket.AF_INET6)
    found: dict[str, None] = {}
    for family in families:
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect((_NOWHERE[family], 9))  # a datagram socket: the system looks up a way, no more
                found[probe.getsockname()[0]] = None
            except OSError:
                continue
    try:
        for family, *_, address in socket.getaddrinfo(socket.gethostname(), None, type=socket.SOCK_STREAM):
            if family in families:
                found[str(address[0])] = None
    except OSError:
        pass
    return [address for address in found if not _is_loopback(address) and "%" not in address]


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def as_terminal_picture(text: str) -> str:
    """``text`` as a QR code (ISO/IEC 18004) in block characters, dark on light."""
    import segno

    out = io.StringIO()
    segno.make(text, error="l").terminal(out, compact=True, border=2)
    return out.getvalue()


def as_picture(text: str) -> str:
    """``text`` as a QR code in an SVG file, as the address of an image."""
    import segno

    return segno.make(text, error="m").svg_data_uri(scale=4, border=4, dark="#000", light="#fff")
