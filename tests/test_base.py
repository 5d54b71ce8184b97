"""Units at the doors, and the one recursion, against the definitions they stand for and scipy.signal."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from driftmodel.base import units
from driftmodel.base.arrays import first_order_recursion
from driftmodel.base.errors import BadInput, near_match


def test_recursion_is_a_digital_filter() -> None:
    """Against scipy.signal.lfilter."""
    gained = np.random.default_rng(1).standard_normal((500, 3))
    np.testing.assert_allclose(first_order_recursion(0.97, gained), lfilter([1.0], [1.0, -0.97], gained, axis=0))
    one = first_order_recursion(0.97, gained[:, 0], first=2.0)
    expected, _ = lfilter([1.0], [1.0, -0.97], gained[:, 0], zi=[0.97 * 2.0])
    np.testing.assert_allclose(one, expected, atol=1e-12)


def test_recursion_with_changing_memory() -> None:
    keep, gained = np.array([0.5, 0.0, 0.25]), np.array([1.0, 2.0, 4.0])
    assert first_order_recursion(keep, gained, first=8.0).tolist() == [5.0, 2.0, 4.5]
    own = np.stack([keep, [0.1, 0.2, 0.3]], axis=1)
    both = first_order_recursion(own, np.stack([gained, gained], axis=1), first=8.0)
    assert both.T.tolist() == [first_order_recursion(each, gained, first=8.0).tolist() for each in own.T]


def test_units() -> None:
    """International inch; fixed points of the Fahrenheit scale."""
    assert units.fahrenheit_to_celsius(212.0) == 100.0 and units.fahrenheit_to_celsius(32.0) == 0.0
    assert units.celsius_to_fahrenheit(-40.0) == -40.0
    assert units.length_words(25.4, "inch") == "1.000 in" and units.length_words(0.4, "metric") == "0.40 mm"


def test_fault_tells_all() -> None:
    fault = BadInput("-3", "a whole number", file="a.toml", place="line 4", mend="days = 3")
    assert str(fault) == "a.toml, line 4: -3. Needed: a whole number. Mend: days = 3"
    assert near_match("sprice", ["spruce", "maple"]) == ' Did you mean "spruce"?'
    assert near_match("xyz", ["spruce"]) == ""


@pytest.mark.parametrize("count", [0])
def test_recursion_over_nothing(count: int) -> None:
    with pytest.raises(ValueError, match="no steps"):
        first_order_recursion(0.5, np.zeros(count))
