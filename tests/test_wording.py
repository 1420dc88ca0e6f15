"""Values in words: SI prefixes of the SI Brochure (BIPM, 9th edition, 2019, table 7), three digits that count."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from quantiphy import Quantity

from evalkit.report.wording import quantity


@pytest.mark.parametrize(
    ("value", "unit", "told"),
    [
        (2.2e-6, "F", "2.2 uF"),
        (47e3, "ohm", "47 kohm"),
        (0.0356, "V", "35.6 mV"),
        (1e6, "ohm", "1 Mohm"),
        (-0.3, "V", "-300 mV"),
        (0.0, "V", "0 V"),
        (math.inf, "V", "inf V"),
        # rounding that reaches the next prefix
        (999.7, "ohm", "1 kohm"),
        (999.96e3, "ohm", "1 Mohm"),
        (0.9995, "V", "1 V"),
    ],
)
def test_values_with_prefixes(value: float, unit: str, told: str) -> None:
    assert quantity(value, unit) == told


def test_unknown_is_said() -> None:
    assert quantity(None, "ohm") == "unknown"


@settings(derandomize=True, deadline=None)
@given(st.floats(1e-12, 9e9))
def test_what_is_told_can_be_read_again(value: float) -> None:
    """By the library that reads board.toml, within half of the third digit."""
    again = Quantity(quantity(value, "ohm"))
    assert again.units == "ohm"
    assert float(again) == pytest.approx(value, rel=5e-3)
