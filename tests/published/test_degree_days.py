"""Degree-days against a published table (../shared/reference, section 7): single sine, lower 50 F,
upper 70 F.

Source: a university integrated-pest-management programme's figures, as given in the UCANR-IGIS
degree-day challenge (Andy Lyons 2022, MIT licence; seen). The table cuts heat off horizontally
above the upper threshold; a single sine above 50 less one above 70 is that, exactly.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from germstats.forecast.weather import degree_days

TABLE = Path(__file__).parents[3] / "shared" / "reference" / "degree_days_single_sine.csv"


def test_a_year_day_by_day():
    if not TABLE.exists():
        pytest.skip("the published values of ../shared/reference are not here")
    table = pd.read_csv(TABLE)
    low, high = table["tmin_f"].to_numpy(float), table["tmax_f"].to_numpy(float)
    found = degree_days(low, high, 50.0) - degree_days(low, high, 70.0)
    # half the last printed digit
    np.testing.assert_allclose(found, table["degree_days_f"], atol=0.006, rtol=0)
    assert found.sum() == pytest.approx(4011.14, abs=0.006 * 366)


def test_by_hand():
    """A day wholly above the base: mean less base; wholly below: none; symmetric about it:
    half-range over pi.
    """
    assert degree_days(np.array([10.0]), np.array([20.0]), 5.0)[0] == pytest.approx(10.0)
    assert degree_days(np.array([-5.0]), np.array([4.0]), 5.0)[0] == 0.0
    assert degree_days(np.array([0.0]), np.array([10.0]), 5.0)[0] == pytest.approx(
        5.0 / np.pi, abs=1e-9
    )
