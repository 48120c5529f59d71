"""What does an ICC profile look like? The smallest matrix-and-curve and grey profiles, written by hand.

Laid out as ICC.1 says (header of 128 bytes, table of tags, tagged elements); the colorants come from the
caller, so that a test may give published ones.
"""

import struct

D50 = (0.9642, 1.0, 0.8249)


def matrix_profile(colorants, curve: bytes, space: bytes = b"RGB ") -> bytes:
    """A display profile. colorants : three XYZ, adapted to D50; curve : an element."""
    tags = {b"wtpt": _xyz(D50), b"desc": _text("made for a test"), b"cprt": _text("none")}
    if space == b"GRAY":
        tags[b"kTRC"] = curve
    else:
        tags |= {name + b"XYZ": _xyz(xyz) for name, xyz in zip((b"r", b"g", b"b"), colorants, strict=True)}
        tags |= {name + b"TRC": curve for name in (b"r", b"g", b"b")}
    table, body, at = struct.pack(">I", len(tags)), b"", 128 + 4 + 12 * len(tags)
    for name, element in tags.items():
        table += name + struct.pack(">II", at + len(body), len(element))
        body += element + bytes(-len(element) % 4)
    size = 128 + len(table) + len(body)
    head = struct.pack(">I4sI4s4s4s", size, b"lcms", 0x04300000, b"mntr", space, b"XYZ ")
    head += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + bytes(28) + _fixed(D50)
    return head + bytes(128 - len(head)) + table + body


def power_curve(gamma: float) -> bytes:
    """A plain power, as u8Fixed8Number."""
    return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256)) + bytes(2)


def srgb_curve() -> bytes:
    """The curve of IEC 61966-2-1, as parametric type 3."""
    return (
        b"para"
        + bytes(4)
        + struct.pack(">HH", 3, 0)
        + _fixed((2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
    )


def _fixed(values) -> bytes:
    return b"".join(struct.pack(">i", round(v * 65536)) for v in values)


def _xyz(values) -> bytes:
    return b"XYZ " + bytes(4) + _fixed(values)


def _text(text: str) -> bytes:
    coded = text.encode("utf-16-be")
    return b"mluc" + bytes(4) + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(coded), 28) + coded
