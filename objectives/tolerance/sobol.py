"""Points of a scrambled Sobol sequence, to the bit those of ``scipy.stats.qmc.Sobol``.

SciPy makes them by a module that comes with all of its statistics, which takes a second and more to
load: longer than anything else that a command does before it can print a yield. A test holds the
points to SciPy's.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from objectives.arrays import FloatArray
from objectives.checks import require

_BITS: Final = 30

# Of each dimension after the first the degree of a primitive polynomial, the coefficients between
# its first and last as the bits of a number, and its first direction numbers.
# Source: S. Joe and F. Y. Kuo, Constructing Sobol sequences with better two-dimensional
# projections, SIAM J. Sci. Comput. 30(5), 2008, the table new-joe-kuo-6, by way of SciPy.
_JOE_KUO: Final = """
1 0  1
2 1  1 3
3 1  1 3 1
3 2  1 1 1
4 1  1 1 3 3
4 4  1 3 5 13
5 2  1 1 5 5 17
5 4  1 1 5 5 5
5 7  1 1 7 11 19
5 11  1 1 5 1 1
5 13  1 1 1 3 11
5 14  1 3 5 5 31
6 1  1 3 3 9 7 49
6 13  1 1 1 15 21 21
6 16  1 3 1 13 27 49
6 19  1 1 1 15 7 5
6 22  1 3 1 15 13 25
6 25  1 1 5 5 19 61
7 1  1 3 7 11 23 15 103
7 4  1 3 7 13 13 15 69
7 7  1 1 3 13 7 35 63
7 8  1 3 5 9 1 25 53
7 14  1 3 1 13 9 35 107
7 19  1 3 1 5 27 61 31
7 21  1 1 5 11 19 41 61
7 28  1 3 5 3 3 13 69
7 31  1 1 7 13 1 19 1
7 32  1 3 7 5 13 19 59
7 37  1 1 3 9 25 29 41
7 41  1 3 5 13 23 1 55
7 42  1 3 7 3 13 59 17
7 50  1 3 1 3 5 53 69
7 55  1 1 5 5 23 33 13
7 56  1 1 7 7 1 61 123
7 59  1 1 7 9 13 61 49
7 62  1 3 3 5 3 55 33
8 14  1 3 1 15 31 13 49 245
8 21  1 3 5 15 31 59 63 97
8 22  1 3 1 11 11 11 77 249
8 38  1 3 1 11 27 43 71 9
8 47  1 1 7 15 21 11 81 45
8 49  1 3 7 3 25 31 65 79
8 50  1 3 1 1 19 11 3 205
8 52  1 1 5 9 19 21 29 157
8 56  1 3 7 11 1 33 89 185
8 67  1 3 3 3 15 9 79 71
8 70  1 3 7 11 15 39 119 27
8 84  1 1 3 1 11 31 97 225
8 97  1 1 1 3 23 43 57 177
8 103  1 3 7 7 17 17 37 71
8 115  1 3 1 5 27 63 123 213
8 122  1 1 3 5 11 43 53 133
9 8  1 3 5 5 29 17 47 173 479
9 13  1 3 3 11 3 1 109 9 69
9 16  1 1 1 5 17 39 23 5 343
9 22  1 3 1 5 25 15 31 103 499
9 25  1 1 1 11 11 17 63 105 183
9 44  1 1 5 11 9 29 97 231 363
9 47  1 1 5 15 19 45 41 7 383
9 52  1 3 7 7 31 19 83 137 221
9 55  1 1 1 3 23 15 111 223 83
9 59  1 1 5 13 31 15 55 25 161
9 62  1 1 3 13 25 47 39 87 257
9 67  1 1 1 11 21 53 125 249 293
9 74  1 1 7 11 11 7 57 79 323
9 81  1 1 5 5 17 13 81 3 131
9 82  1 1 7 13 23 7 65 251 475
9 87  1 3 5 1 9 43 3 149 11
9 91  1 1 3 13 31 13 13 255 487
9 94  1 3 3 1 5 63 89 91 127
9 103  1 1 3 3 1 19 123 127 237
9 104  1 1 5 7 23 31 37 243 289
9 109  1 1 5 11 17 53 117 183 491
9 122  1 1 1 5 1 13 13 209 345
9 124  1 1 3 15 1 57 115 7 33
9 137  1 3 1 11 7 43 81 207 175
9 138  1 3 1 1 15 27 63 255 49
9 143  1 3 5 3 27 61 105 171 305
9 145  1 1 5 3 1 3 57 249 149
9 152  1 1 3 5 5 57 15 13 159
9 157  1 1 1 11 7 11 105 141 225
9 167  1 3 3 5 27 59 121 101 271
9 173  1 3 5 9 11 49 51 59 115
9 176  1 1 7 1 23 45 125 71 419
9 181  1 1 3 5 23 5 105 109 75
9 182  1 1 7 15 7 11 67 121 453
9 185  1 3 7 3 9 13 31 27 449
9 191  1 3 1 15 19 39 39 89 15
9 194  1 1 1 1 1 33 73 145 379
9 199  1 3 1 15 15 43 29 13 483
9 218  1 1 7 3 19 27 85 131 431
9 220  1 3 3 3 5 35 23 195 349
9 227  1 3 3 7 9 27 39 59 297
9 229  1 1 3 9 11 17 13 241 157
9 230  1 3 7 15 25 57 33 189 213
"""

DIMENSIONS: Final = 1 + len(_JOE_KUO.split("\n")[1:-1])
"""The most that there are; more than twice as many as quantities that may spread."""


def scrambled_points(dimensions: int, draws: int, seed: int) -> FloatArray:
    """Return the first points of a sequence, each coordinate in [0, 1), shape (draws, dimensions).

    Raises
    ------
    InputError
        If there are more dimensions than the table has, or more draws than 2**30.

    Source: scrambled by a random lower triangular matrix and a shift, J. Matousek, On the
    L2-discrepancy for anchored boxes, J. Complexity 14(4), 1998, and in the order of a Gray code,
    I. A. Antonov and V. M. Saleev, USSR Comput. Math. Math. Phys. 19(1), 1979 (both from memory).
    """
    require("dimensions", dimensions, dimensions <= DIMENSIONS, f"at most {DIMENSIONS}")
    require("draws", draws, draws <= 2**_BITS, "at most 2**30")
    (rng,) = np.random.default_rng(seed).spawn(1)  # as SciPy does
    place = np.uint32(1) << np.arange(_BITS, dtype=np.uint32)
    shift = rng.integers(0, 2, (dimensions, _BITS), dtype=np.uint32) @ place
    mixing = np.tril(rng.integers(0, 2, (dimensions, _BITS, _BITS), dtype=np.uint32), -1)
    mixing += np.eye(_BITS, dtype=np.uint32)
    numbers = place[::-1] @ (mixing @ _direction_bits()[:dimensions] & 1)
    # From point to point the number of the lowest bit of the point's own number is added.
    count = np.arange(1, draws)
    added = numbers.T[np.bitwise_count((count & -count) - 1)]
    steps = np.concatenate([shift[None, :], added])[:draws]
    return np.asarray(np.bitwise_xor.accumulate(steps, axis=0) * 2.0**-_BITS)


@cache
def _direction_bits() -> NDArray[np.uint32]:
    """Return the bits of all direction numbers, shape (dimensions, bits, numbers), highest first.

    The recurrence is that of P. Bratley and B. L. Fox, Algorithm 659, ACM Trans. Math. Softw.
    14(1), 1988 (from memory).
    """
    numbers = [[1] * _BITS]
    for line in _JOE_KUO.split("\n")[1:-1]:
        degree, between, *own = map(int, line.split())
        for k in range(degree, _BITS):
            new = own[k - degree] ^ own[k - degree] << degree
            for back in range(1, degree):
                if between >> degree - 1 - back & 1:
                    new ^= own[k - back] << back
            own.append(new)
        numbers.append(own)
    down = np.arange(_BITS, dtype=np.uint32)[::-1]
    return (np.array(numbers, np.uint32) << down)[:, None, :] >> down[:, None] & np.uint32(1)
