"""Which IP addresses are out in the world, and which are not."""

from __future__ import annotations

import ipaddress

__all__ = ["is_public"]

NAT64 = ipaddress.ip_network("64:ff9b::/96")
"""RFC 6052: an IPv4 address in its last 32 bits."""

COMPATIBLE = ipaddress.ip_network("::/96")
"""RFC 4291, 2.5.5.1: likewise; no longer in use, but still understood here and there."""

HOST_AGENTS = frozenset({ipaddress.ip_address("168.63.129.16")})
"""Public in form, yet the machine's own host at a large provider (from memory)."""

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


def is_public(text: str) -> bool:
    """Whether an IP address belongs to one machine out in the world.

    The IPv4 address inside an IPv6 one (mapped, compatible, 6to4, Teredo, NAT64) must be public,
    too. By the registries of special addresses (RFC 6890) as Python's ``ipaddress`` keeps them.
    """
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return False  # with a zone (``%eth0``) too: that is a neighbour
    return all(map(_public, _with_those_inside(address)))


def _with_those_inside(address: Address) -> list[Address]:
    if isinstance(address, ipaddress.IPv4Address):
        return [address]
    inside: list[Address] = [a for a in (address.ipv4_mapped, address.sixtofour) if a is not None]
    inside += address.teredo or ()
    if address in NAT64 or address in COMPATIBLE:
        inside.append(ipaddress.IPv4Address(int(address) & 0xFFFFFFFF))
    # The prefixes themselves are not "global" in the registry; what counts is what is inside.
    carried = address.ipv4_mapped is not None or address in NAT64
    return inside if carried else [address, *inside]


def _public(address: Address) -> bool:
    return (
        address.is_global
        and not address.is_multicast
        and not address.is_reserved
        and not getattr(address, "is_site_local", False)
        and address not in HOST_AGENTS
    )
