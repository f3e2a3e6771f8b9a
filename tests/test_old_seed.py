"""Old seed where other lots failed as well: the committed table of `analyses/studies/old_seed.py`,
and a small run.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.studies import RESULTS, load_study


@pytest.fixture(scope="module")
def study():
    return load_study("old_seed")


def test_every_bar_of_the_committed_table_holds(study):
    """14 nurseries of each of four set-ups, a cut test of 50 seeds for every lot; two standard
    errors are allowed.
    """
    table = pd.read_csv(RESULTS / "old_seed.csv")
    assert (
        set(table["set_up"]) == set(study.SET_UPS) and (table["nurseries"] == study.NURSERIES).all()
    )
    table = table[table["bar"].notna()]
    sign, bar = table["bar"].str[:2], table["bar"].str[3:].astype(float)
    slack = 2 * table["se"]
    missed = np.where(
        sign == ">=", table["measured"] + slack < bar, table["measured"] - slack > bar
    )
    assert len(table) == 16 and not missed.any(), table[missed].to_string()


@pytest.mark.slow
def test_old_seed_is_likely(study):
    """A few nurseries of their own: three standard errors are allowed."""
    rows = [
        row
        for name in study.SET_UPS
        for number in range(300, 303)
        for row in study.nursery_rows(name, number)
    ]
    found = study.figures(pd.DataFrame(rows))
    likely = found[found["what"] == "old seed likely, where records can show it"]
    share = float(np.average(likely["measured"], weights=likely["lots"]))
    error = np.sqrt(max(share * (1 - share), 0.02) / likely["lots"].sum())
    print(likely.to_string(index=False))
    assert share + 3 * error >= 0.85
