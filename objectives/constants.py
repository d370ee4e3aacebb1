"""Constants that the SI defines exactly, under SciPy's names for them.

SciPy reads all that is measured with them, which takes as long as the rest of a short command.

Source: BIPM, The International System of Units, 9th edition, 2019, table 1.
"""

from typing import Final

c: Final = 299_792_458.0
"""Speed of light in vacuum (m/s)."""
e: Final = 1.602176634e-19
"""Elementary charge (C)."""
k: Final = 1.380649e-23
"""Boltzmann constant (J/K)."""
