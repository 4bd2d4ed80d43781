"""Ways to spoil a machine program, for fuzzing."""

from __future__ import annotations

import gzip

import numpy as np

_WORDS = b"""
G0|G1|G2 I5 J0|G3 X5 R1|G92 X0 Y0 Z0 E0|G28|G91|G90|M82|M83|G20|G21|G18|G19|G5 X1 Y1 I1 J1 P1 Q1|G10|G11|
M221 S0|M221 S9999|M220 S1|M200 D1.75|M2|G1 X1e9 E5|G1 E99999|G1 X-500 Y900 E3|G1 Z5000 E1|G1 Z-3 X3 E1|G1 F0|
M104 S0|M104 T1 S0|
M204 P0.001 T1e9|M201 X1 Y1 Z1|M204 S-5|G5.1 X9 Y9 I3 J-4|G5 X1 Y1|G5 I9e5 J9e5 P1 Q1 X0|
N-5 G1*77|G1 X999999 E999999|G92 E-1e30|T99|M600|G4 P1000000000|G1 X0.0000001 E0.0000001|M106 S-5
""".replace(b"\n", b"").split(b"|")


_NUMBERS = (
    b"0|-0|.|+|--5|1e9|99999999999999999999|0.00000001|-0.000001|1.2.3|999999|-999999|0.2|0.4|200.2|1E5|NaN|inf"
).split(b"|")


def spoil(program: bytes, rng: np.random.Generator) -> bytes:
    """The program with a few things gone wrong: bytes, numbers, lines, ends, or all of it."""
    data = bytearray(program)
    for _ in range(int(rng.integers(1, 6))):
        way = int(rng.integers(11))
        at = int(rng.integers(max(1, len(data))))
        if way == 0 and data:
            data[at] = int(rng.integers(256))
        elif way == 1:
            data[at:at] = bytes(rng.integers(0, 256, int(rng.integers(1, 200)), dtype=np.uint8))
        elif way == 2:
            del data[at : at + int(rng.integers(1, 400))]
        elif way == 3:
            del data[at:]
        elif way == 4:
            data[at:at] = b"\n" + _WORDS[int(rng.integers(len(_WORDS)))] + b"\n"
        elif way == 5:
            lines = bytes(data).split(b"\n")
            rng.shuffle(lines)
            data = bytearray(b"\n".join(lines))
        elif way == 6:
            end = int(rng.integers(len(data) + 1))
            data += data[min(at, end) : max(at, end)]
        elif way == 7:
            digits = [k for k in range(at, min(len(data), at + 60)) if 48 <= data[k] <= 57]
            for k in digits:
                data[k] = 48 + int(rng.integers(10))
        elif way == 8:
            data = bytearray(data.replace(b".", b"", int(rng.integers(1, 30))))
        elif way == 9:  # another number in the place of one
            end = at
            while end < len(data) and data[end] in b"0123456789.-":
                end += 1
            data[at:end] = _NUMBERS[int(rng.integers(len(_NUMBERS)))]
        else:
            data = bytearray(
                data.replace(b"E", b"E1" if rng.random() < 0.5 else b"E-", int(rng.integers(1, 40)))
            )
    if rng.random() < 0.05:
        packed = bytearray(gzip.compress(bytes(data)))
        packed[int(rng.integers(len(packed)))] ^= 1 << int(rng.integers(8))
        return bytes(packed)
    if rng.random() < 0.03:
        return bytes(rng.integers(0, 256, int(rng.integers(1, 5000)), dtype=np.uint8))
    return bytes(data)
