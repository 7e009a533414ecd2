"""What a share of values reaches, by numbers made by hand (M11.5)."""

from __future__ import annotations

import numpy as np
import pytest

from arrayopt.base.shares import at_share, reached, spread

ROWS = np.array([[1.0, 5.0, 3.0, np.nan], [4.0, 2.0, 8.0, 6.0], [np.nan] * 4])


def test_spread_leaves_out_what_is_no_number() -> None:
    low, middle, high = spread(ROWS)
    assert np.array_equal(low, [1.0, 2.0, np.nan], equal_nan=True)
    assert np.array_equal(middle, [3.0, 5.0, np.nan], equal_nan=True)
    assert np.array_equal(high, [5.0, 8.0, np.nan], equal_nan=True)


@pytest.mark.parametrize(
    ("share", "most", "least"),
    [
        (0.25, [5.0, 8.0], [1.0, 2.0]),
        (0.5, [3.0, 6.0], [3.0, 4.0]),
        (0.51, [1.0, 4.0], [5.0, 6.0]),
        (0.75, [1.0, 4.0], [5.0, 6.0]),
        (1.0, [np.nan, 2.0], [np.nan, 8.0]),  # a chip without a value reaches nothing
    ],
)
def test_what_a_share_reaches(share: float, most: list[float], least: list[float]) -> None:
    assert np.array_equal(reached(ROWS, "max", share), [*most, np.nan], equal_nan=True)
    assert np.array_equal(reached(ROWS, "min", share), [*least, np.nan], equal_nan=True)
    assert np.array_equal(reached(ROWS, None, share), [3.0, 5.0, np.nan], equal_nan=True)


def test_of_a_share_so_many_chips_must_be_good() -> None:
    assert [at_share(0.9, n) + 1 for n in (1, 2, 9, 10, 11, 16, 20)] == [1, 2, 9, 9, 10, 15, 18]
    assert at_share(0.7, 10) == 6  # 0.7 x 10 is 7.000000000000001 in the machine
