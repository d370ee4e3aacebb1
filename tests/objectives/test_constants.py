"""The SI's exact constants are those of SciPy's table of CODATA."""

from scipy import constants as codata

from objectives import constants


def test_the_constants_are_those_of_codata() -> None:
    assert (constants.c, constants.e, constants.k) == (codata.c, codata.e, codata.k)
