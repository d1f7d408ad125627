"""Shared draws: a fixed, seeded, low-discrepancy set of numbers, one column a named cause.

A column depends only on its cause, its number and the seed: not on who else is in the ward, and not on how many draws
are asked for (the first 64 of 256 are the 64). Two settings therefore differ by the settings and not by luck.

Columns are the first four dimensions of Sobol' (direction numbers of Joe and Kuo: SIAM J Sci Comput 2008;30:2635),
shuffled and scrambled by hashed nested permutations (Owen 1995; Burley: J Comput Graph Tech 2020;9(4)); further
columns of one cause are padded with independently shuffled sets of four.
"""

from __future__ import annotations

import hashlib
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

_DIMENSIONS = 4
# Joe-Kuo: (degree, coefficients of the primitive polynomial, initial direction numbers) of dimensions 2, 3 and 4.
_POLYNOMIALS = ((1, 0, (1,)), (2, 1, (1, 3)), (3, 1, (1, 3, 1)))


def _directions() -> NDArray[np.uint32]:
    table = np.zeros((_DIMENSIONS, 32), dtype=np.uint64)
    table[0] = [1 << (31 - bit) for bit in range(32)]
    for row, (degree, coefficients, initial) in enumerate(_POLYNOMIALS, start=1):
        v = [m << (31 - bit) for bit, m in enumerate(initial)]
        for bit in range(degree, 32):
            value = v[bit - degree] ^ (v[bit - degree] >> degree)
            for j in range(1, degree):
                if coefficients >> (degree - 1 - j) & 1:
                    value ^= v[bit - j]
            v.append(value)
        table[row] = v
    return table.astype(np.uint32)


_DIRECTIONS = _directions()


def sobol(index: NDArray[np.uint32], dimension: int) -> NDArray[np.uint32]:
    """Unscrambled Sobol' numbers (32-bit fractions) of the given indices; ``dimension`` 0 to 3."""
    tables = _byte_tables(dimension)
    result: NDArray[np.uint32] = tables[0][index & np.uint32(0xFF)]
    for byte in range(1, 4):
        result = result ^ tables[byte][(index >> np.uint32(8 * byte)) & np.uint32(0xFF)]
    return result


@lru_cache(maxsize=_DIMENSIONS)
def _byte_tables(dimension: int) -> list[NDArray[np.uint32]]:
    """What each byte of an index adds to its number, one table of 256 a byte."""
    tables = []
    for byte in range(4):
        table = np.zeros(256, np.uint32)
        for bit in range(8):
            table[1 << bit : 2 << bit] = table[: 1 << bit] ^ _DIRECTIONS[dimension, 8 * byte + bit]
        tables.append(table)
    return tables


def _reverse_bits(x: NDArray[np.uint32]) -> NDArray[np.uint32]:
    for shift, mask in ((1, 0x55555555), (2, 0x33333333), (4, 0x0F0F0F0F), (8, 0x00FF00FF), (16, 0x0000FFFF)):
        m, s = np.uint32(mask), np.uint32(shift)
        x = ((x >> s) & m) | ((x & m) << s)
    return x


def _nested_scramble(x: NDArray[np.uint32], key: int) -> NDArray[np.uint32]:
    """Owen's nested uniform permutation by a hash in which each bit depends on the higher bits only."""
    x = _reverse_bits(x)
    with np.errstate(over="ignore"):
        x = x + np.uint32(key)
        for factor in (0x6C50B47C, 0xB82F1E52, 0xC7AFE638, 0x8D22F6E6):
            x = x ^ (x * np.uint32(factor))
    return _reverse_bits(x)


def _key(*words: object) -> int:
    text = "\x1f".join(str(word) for word in words).encode()
    return int.from_bytes(hashlib.blake2b(text, digest_size=4).digest(), "big")


@lru_cache(maxsize=4096)
def uniform_draws(cause: str, column: int, count: int, seed: int = 0) -> NDArray[np.float64]:
    """``count`` numbers in (0, 1) for one column of one cause. The array is read-only, as it is shared.

    ``cause`` names what varies ("bed 4", "build"), ``column`` which of its independent quantities.
    """
    chunk, dimension = divmod(column, _DIMENSIONS)
    # Scrambling an index like a fraction keeps every aligned block together: a power-of-two prefix stays a net.
    index = _nested_scramble(np.arange(count, dtype=np.uint32), _key(seed, cause, "order", chunk))
    fraction = _nested_scramble(sobol(index, dimension), _key(seed, cause, "column", column))
    result = (fraction.astype(np.float64) + 0.5) / 2.0**32
    result.setflags(write=False)
    return result


@lru_cache(maxsize=4096)
def normal_draws(cause: str, column: int, count: int, seed: int = 0) -> NDArray[np.float64]:
    """``count`` standard normal numbers for one column of one cause (read-only)."""
    inverse = NormalDist().inv_cdf
    result = np.array([inverse(u) for u in uniform_draws(cause, column, count, seed).tolist()])
    result.setflags(write=False)
    return result
