"""Cases of a parametrized test that are left to `make whole`."""

import pytest


def long(*cases):
    """These cases, each marked; several arguments of one stand in a tuple or a list."""
    return [
        pytest.param(*(case if isinstance(case, tuple | list) else (case,)), marks=pytest.mark.long)
        for case in cases
    ]
