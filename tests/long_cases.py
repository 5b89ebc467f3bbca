"""What of a test is left to `make whole`: cases of a parametrized one, and examples of a property.

A whole test is marked `pytest.mark.long`.
"""

import os

import pytest
from hypothesis import settings


def long(*cases):
    """These cases, each marked; several arguments of one stand in a tuple or a list."""
    return [
        pytest.param(*(case if isinstance(case, tuple | list) else (case,)), marks=pytest.mark.long)
        for case in cases
    ]


def examples(few: int, many: int) -> settings:
    """So many examples of a property in `make test`, and so many in `make whole`."""
    is_quick = os.environ.get("HYPOTHESIS_PROFILE", "suite") == "suite"
    return settings(max_examples=few if is_quick else many)
