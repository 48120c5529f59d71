"""Which id does a record get? UUID version 7: sorts by time, made anywhere without asking anyone.

Source: RFC 9562, section 5.7: 48 bits of Unix milliseconds, version, 12 random bits, variant, 62 random bits.
"""

import os
import time
from uuid import UUID


def uuid7(at_ms: int | None = None) -> UUID:
    """A new UUIDv7. at_ms : Unix time [ms], now if left out."""
    stamp = (time.time_ns() // 1_000_000 if at_ms is None else at_ms) & ((1 << 48) - 1)
    random = int.from_bytes(os.urandom(10), "big")
    bits = stamp << 80 | 0x7 << 76 | (random >> 68) << 64 | 0b10 << 62 | random & ((1 << 62) - 1)
    return UUID(int=bits)
