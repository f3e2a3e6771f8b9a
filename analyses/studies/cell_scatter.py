"""What is said of emergence where no cell was counted: rho is a setting there, not something the
records show.

Books of tray totals (filled cells) with one seed number, finished trays, weekly checks, from a
simulator that shares nothing with the engine: every cell's share is beta, its seeds binomial, their
days log-normal, log-logistic, Weibull or in two flushes. The truth is the share of seeds of a lot
in an average tray. Springs do not differ, and the fit is told so, which leaves its ranges nothing
to hide behind.

`python analyses/studies/cell_scatter.py` writes `results/cell_scatter.csv`; `--books N` makes
fewer.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import expit, logit, ndtri

import germstats
from germstats.engine.fit import FitSpec
from germstats.engine.priors import Scatter

RESULTS = Path(__file__).parent / "results"
LAWS = ("log-normal", "log-logistic", "Weibull", "two flushes")
RHOS = ("by its prior", "0")
SEEDS = (2, 3)
BOOKS = 20
_SPECIES, _LOTS, _TRAYS, _CELLS = 2, 3, 2, 72
_TRAY_SD, _LOT_SD = 0.4, 0.5
_SOWN = pd.Timestamp("2024-11-01")
_LOOKS = np.arange(90, 272, 7)
Table = list[dict[str, object]]


@dataclass(frozen=True)
class Truth:
    """A book with what is true of it: lot -> share of seeds that emerge in an average tray."""

    tables: dict[str, Table]
    share: dict[str, float]


def one_book(seeds: int, law: str, rho_is: str, number: int) -> Truth:
    """Draw a book of tray totals."""
    rng = np.random.default_rng([seeds, LAWS.index(law), RHOS.index(rho_is), number])
    rho = 0.0 if rho_is == "0" else _rho_by_prior(rng, number)
    trays, checks, lots, truth = [], [], [], {}
    nodes = np.random.default_rng(0).normal(0.0, _TRAY_SD, 4000)
    for species in range(_SPECIES):
        middle, days = rng.normal(0.0, 0.8), rng.normal(np.log(145), 0.08)
        for lot in range(_LOTS):
            name = f"S{species}-{lot}"
            middle_logit, log_days = middle + rng.normal(0.0, _LOT_SD), days + rng.normal(0.0, 0.03)
            lots.append({"lot": name, "species": f"S{species}"})
            truth[name] = float(expit(middle_logit + nodes).mean())
            for tray in range(_TRAYS):
                p = float(expit(middle_logit + rng.normal(0.0, _TRAY_SD)))
                first = _first_days(
                    rng, p, rho=rho, seeds=seeds, law=law, log_days=log_days + rng.normal(0.0, 0.03)
                )
                tray_name = f"{name}/{tray}"
                trays.append(
                    {
                        "tray": tray_name,
                        "season": 2025,
                        "lot": name,
                        "sown_on": _SOWN.date(),
                        "rows": 6,
                        "columns": _CELLS // 6,
                        "seeds_per_cell": seeds,
                    }
                )
                checks += [
                    {
                        "tray": tray_name,
                        "checked_on": (_SOWN + pd.Timedelta(days=int(day))).date(),
                        "filled": int((first <= day).sum()),
                    }
                    for day in _LOOKS
                ]
    return Truth({"lots": lots, "trays": trays, "checks": checks}, truth)


def _rho_by_prior(rng: np.random.Generator, number: int) -> float:
    """Logit rho ~ N(logit .04, 1), drawn from one of twenty equally likely parts of it, another for
    each book.
    """
    part = 7 * number % 20
    return float(expit(logit(0.04) + ndtri((part + rng.random()) / 20)))


def _first_days(
    rng: np.random.Generator, p: float, rho: float, seeds: int, law: str, log_days: float
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """(cells,) day of each cell's first seedling, inf where none comes."""
    tight = (1 - rho) / rho if rho > 0 else np.inf
    own = np.full(_CELLS, p) if rho == 0 else rng.beta(p * tight, (1 - p) * tight, _CELLS)
    size = (_CELLS, seeds)
    if law == "log-normal":
        z = rng.normal(size=size)
    elif law == "log-logistic":
        z = rng.logistic(size=size) * 0.55
    elif law == "Weibull":
        z = np.log(rng.exponential(size=size)) * 0.78
    else:
        z = rng.normal(size=size) * 0.4 + np.where(rng.random(size) < 0.5, -1.1, 1.1)
    # all that comes has come by the last look but one
    days = np.minimum(np.exp(log_days + 0.12 * z), _LOOKS[-2])
    return np.asarray(np.where(rng.random(size) < own[:, None], days, np.inf).min(axis=1))


def rows_of(seeds: int, law: str, rho_is: str, number: int) -> Iterator[dict[str, object]]:
    """What the fit of one book says of each lot beside the truth."""
    made = one_book(seeds, law, rho_is, number)
    with tempfile.TemporaryDirectory() as folder:
        for name, rows in made.tables.items():
            pd.DataFrame(rows).to_csv(Path(folder) / f"{name}.csv", index=False)
        fit = germstats.fit_emergence(
            germstats.read_book(Path(folder)), FitSpec(scatter=Scatter(season=0.0))
        )
    for row in fit.rows:
        true = made.share[row.lot]
        yield {
            "seeds": seeds,
            "law": law,
            "rho": rho_is,
            "book": number,
            "lot": row.lot,
            "error": row.emergence - true,
            "inside": row.emergence_low <= true <= row.emergence_high,
            "learned": fit.cell_scatter.learned,
            "effective": fit.pooled.effective_share,
        }


def summed_up(rows: pd.DataFrame) -> pd.DataFrame:
    """One row for each law, seed number and rho, and for each rho together, with Monte-Carlo errors
    by book.
    """
    cells = [
        rows.groupby(["rho", "seeds", "law"], sort=False),
        rows.assign(seeds=0, law="all").groupby(["rho", "seeds", "law"], sort=False),
    ]
    found = []
    for parts in cells:
        for key, part in parts:
            book = part.groupby(["seeds", "law", "book"] if key[2] != "all" else ["book"])[
                "error"
            ].mean()
            found.append(
                {
                    "rho": key[0],
                    "seeds": key[1],
                    "law": key[2],
                    "books": part["book"].nunique(),
                    "rows": len(part),
                    "error": part["error"].mean(),
                    "error_se": book.std() / np.sqrt(len(book)),
                    "inside": part["inside"].mean(),
                    "learned": int(part["learned"].sum()),
                    "effective": part["effective"].mean(),
                }
            )
    return pd.DataFrame(found)


def main() -> None:
    """Run the study and write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--books", type=int, default=BOOKS)
    parser.add_argument("--out", type=Path, default=RESULTS / "cell_scatter.csv")
    asked = parser.parse_args()
    jobs = [
        (n, law, rho, k) for rho in RHOS for n in SEEDS for law in LAWS for k in range(asked.books)
    ]
    rows = pd.DataFrame([row for job in jobs for row in rows_of(*job)])
    table = summed_up(rows)
    table.round(4).to_csv(asked.out, index=False)
    print(table.round(3).to_string(index=False))


if __name__ == "__main__":
    main()
