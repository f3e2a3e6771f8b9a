"""A tray not yet sown in closed form: moments of a logit-normal by quadrature, with every scatter
in it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit

import germstats
from germstats.engine.draws import RowDraws, WorstSpring
from germstats.forecast.tray import chance_of_filling, new_tray
from germstats.records.seeds import SowingRate

Z = np.linspace(-9.0, 9.0, 4001)
DENSITY = stats.norm.pdf(Z) / stats.norm.pdf(Z).sum()


def moments(theta: np.ndarray, sd: np.ndarray) -> np.ndarray:
    """E p and E p^2 of p = expit(theta + sd z), each by the trapezium rule on 4,001 points."""
    p = expit(theta[:, None] + sd[:, None] * Z)
    return np.stack([p @ DENSITY, p**2 @ DENSITY], axis=1)


def found(draws: RowDraws) -> tuple[float, float]:
    tray = new_tray(draws)
    return float(tray.weight @ tray.p), float(tray.weight @ tray.p**2)


@pytest.mark.parametrize(
    ("own", "place", "spring"), [(0.5, 0.0, 0.0), (0.5, 0.4, 0.0), (0.3, 0.6, 0.7), (0.0, 0.0, 0.8)]
)
def test_a_new_tray_has_the_scatter_of_trays_places_and_springs(
    own: float, place: float, spring: float
) -> None:
    """Normal effects add up: sd^2 = tray^2 + place^2 + spring^2."""
    one = np.ones(1)
    draws = RowDraws(
        theta=0.8 * one,
        rho=0.05 * one,
        tray_sd=np.hypot(own, place) * one,
        season_sd=spring * one,
        weight=one,
        place_sd=place * one,
    )
    exact = moments(0.8 * one, np.sqrt(own**2 + place**2 + spring**2) * one)[0]
    np.testing.assert_allclose(found(draws), exact, rtol=0, atol=1e-6)  # 21 Gauss-Hermite points


def test_a_fit_hands_on_trays_places_and_springs(tmp_path) -> None:
    """The moments again, from the scales the fit itself found, with the place among them."""
    rng = np.random.default_rng(4)
    trays, checks = (
        ["tray,season,lot,sown_on,rows,columns,seeds_per_cell,place"],
        ["tray,checked_on,filled"],
    )
    for season in (2025, 2026):
        for k in range(8):
            filled = rng.binomial(
                36, expit(0.5 + (0.8 if k % 2 else -0.8) + 0.3 * rng.standard_normal())
            )
            trays.append(
                f"T-{season}-{k},{season},L-{k // 4},{season - 1}-12-01,6,6,1,bench {k % 2}"
            )
            checks += [
                f"T-{season}-{k},{season}-04-10,{filled // 2}",
                f"T-{season}-{k},{season}-06-10,{filled}",
            ]
    tables = {
        "trays": trays,
        "checks": checks,
        "species": ["species", "S"],
        "lots": ["lot,species", "L-0,S", "L-1,S"],
    }
    for name, lines in tables.items():
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    fit = germstats.fit_emergence(germstats.read_book(tmp_path))
    scales = [draw.components for draw in fit.pooled.draws]
    for row in fit.rows:
        each = len(row.draws.theta) // len(scales)
        tray, place = (
            np.repeat([getattr(one, name) for one in scales], each) for name in ("tray", "place")
        )
        assert place.min() > 0.1
        np.testing.assert_allclose(row.draws.place_sd, place, rtol=1e-12)
        np.testing.assert_allclose(row.draws.own_sd, tray, rtol=1e-9)
        slope = row.draws.weight @ row.draws.time.lateness(row.draws.theta)  # one for the row
        late = slope * fit.pooled.scatter.season_time
        sd = np.sqrt(tray**2 + place**2 + fit.pooled.scatter.season**2 + late**2)
        exact = row.draws.weight @ moments(row.draws.theta, sd)
        # 21 Gauss-Hermite points
        np.testing.assert_allclose(found(row.draws), exact, rtol=0, atol=1e-5)


@pytest.mark.parametrize("shift", [-2.0, -0.5, -0.1, 0.3])
def test_the_worst_spring_is_never_better_than_an_ordinary_one(shift: float) -> None:
    """A middling worst spring promised more than an ordinary one, since it had no luck of
    its own.
    """
    same = np.ones(400)
    theta = 0.8 + 0.2 * stats.norm.ppf((np.arange(400) + 0.5) / 400)
    worst_on_record = WorstSpring(2024, shift * same)
    draws = RowDraws(
        theta=theta,
        rho=0.05 * same,
        tray_sd=0.3 * same,
        season_sd=0.5 * same,
        weight=same / 400,
        worst=worst_on_record,
    )
    rates = (SowingRate("counted", (2,), 2.0),)
    for wanted in range(20, 72, 5):
        worst, ordinary = (
            chance_of_filling(new_tray(draws, worst=bad), rates, 72, wanted)
            for bad in (True, False)
        )
        assert worst <= ordinary + 1e-5  # two quadratures
    z, density = np.minimum(0.5 * Z[::10], shift), DENSITY[::10] / DENSITY[::10].sum()
    exact = np.mean(
        [density @ moments(one + z, 0.3 * np.ones(len(z))) for one in theta[::40]], axis=0
    )
    few = replace(
        draws,
        **{name: getattr(draws, name)[::40] for name in ("theta", "rho", "tray_sd", "season_sd")},
        weight=np.full(10, 0.1),
        worst=WorstSpring(2024, np.full(10, shift)),
    )
    tray = new_tray(few, worst=True)
    np.testing.assert_allclose(
        [tray.weight @ tray.p, tray.weight @ tray.p**2], exact, rtol=0, atol=1e-4
    )  # a kink
