"""The records without some trays of one lot, solved without solving all of them again.

Leaving a lot out moves the common effects a little, and those of its own species most. So the
species' other trays are solved again, every step of them, while all other species stand for what
they say about the common effects, to second order about the whole fit. Effects that none of the
species' trays has part in are integrated out; springs, places and chill of the season asked for
keep their own priors, heavy tails and all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from germstats.engine.arrays import Index
from germstats.engine.design import SHARE, TrayKey
from germstats.engine.fit import EmergenceFit
from germstats.engine.gaussian_vb import NormalLaw, averaged_terms, normal_law
from germstats.engine.hierarchy import Hierarchy, State, VarianceComponents, part_of, state_of
from germstats.engine.laplace import BetaPrior, PooledMode, QuadraticSummary, find_pooled_modes
from germstats.engine.pooled import PooledFit
from germstats.engine.schur import reduced
from germstats.engine.timing import Array

SPECIES_SD = 2.0
"""How far apart species are taken to lie on logit p here, whatever the nursery taught: a naturally
low species is hardly pulled towards others, and its lots not called poor (statistics of the
design); common practice, no source.
"""
# slope of a spring with far too few weeks of cold, on logit p per ten weeks: a start only
_SHORT_CHILL = -2.0


@dataclass(frozen=True)
class Remainder:
    """The records without the trays, solved.

    Attributes
    ----------
    law : NormalLaw
        Of the common effects in `columns`, and of the lots in `lots`.
    lots : tuple of str
    columns : (P,) bool array
        Common effects that the law is about: those of the species' trays and of those asked for,
        and that spring's.
    told : (P,) bool array
        Common effects of which the rest has a tray.
    codes : (C,) int array
        The rest's tray codes.
    """

    law: NormalLaw
    lots: tuple[str, ...]
    columns: NDArray[np.bool_]
    told: NDArray[np.bool_]
    codes: Index

    def forms(self, rows: Array) -> Array:
        """Linear forms (..., P) of the common effects as forms of the law's own; what the rest has
        no tray of is 0.
        """
        known = rows * self.told
        assert not known[..., ~self.columns].any(), "the law does not speak of these effects"
        return np.asarray(known[..., self.columns])


@dataclass(frozen=True)
class LeaveOut:
    """A pooled fit, ready for some of its trays to be left out."""

    fit: EmergenceFit

    @property
    def pooled(self) -> PooledFit:
        """The pooled fit itself."""
        return self.fit.pooled

    @cached_property
    def components(self) -> VarianceComponents:
        """The likeliest scatters, at which everything is solved, with species far apart."""
        return replace(
            self.pooled.component_set.at(self.pooled.component_fit.mode), species=SPECIES_SD
        )

    @cached_property
    def law(self) -> NormalLaw:
        """All effects of the whole fit at these scatters."""
        design = self.pooled.design
        return normal_law(
            design.hierarchy, design.prior, self.components, self.pooled.component_fit.found
        )

    @cached_property
    def group(self) -> Index:
        """(T,) array: number of the species of each tray of the tree, by first lot."""
        names = [lot.group for lot in self.pooled.design.lots]
        number = np.array([names.index(name) for name in names], dtype=np.int64)
        tree = self.pooled.design.hierarchy
        return np.asarray(number[tree.lot[tree.group]])

    @cached_property
    def told(self) -> dict[int, QuadraticSummary]:
        """What the trays of each species say about the common effects."""
        tree, middle = self.pooled.design.hierarchy, self.law.middle
        terms = averaged_terms(tree, self.components, self.law)
        found = {}
        for group in np.unique(self.group):
            own = self.group == group
            sub, state = part_of(tree, own), state_of(tree, middle, own)
            left = reduced(sub, -terms.hessian[own], self.components)
            by_prior = (
                -state.trays * sub.tray_precision(self.components),
                -state.lots * sub.lot_precision(self.components),
            )
            slope = left.passed_up(terms.gradient[own], *by_prior)[0]
            found[int(group)] = QuadraticSummary(left.left, slope, middle.beta)
        return found

    @cached_property
    def told_by_all(self) -> tuple[Array, Array]:
        """Information and slope of all species together."""
        parts = list(self.told.values())
        return np.sum([one.information for one in parts], axis=0), np.sum(
            [one.slope for one in parts], axis=0
        )

    def without(self, codes: Index, asked: Sequence[TrayKey]) -> Remainder | None:
        """Solve the rest.

        Parameters
        ----------
        codes : (C,) int array
            Tray codes left out, all of one species.
        asked : sequence of TrayKey
            Trays of that species and one season, which are to be forecast.

        Returns
        -------
        Remainder or None
            None where nothing is left.
        """
        design, species, season = self.pooled.design, asked[0].group, asked[0].season
        kept = np.ones(design.hierarchy.trays, dtype=bool)
        kept[design.place_of[codes]] = False
        if not kept.any():
            return None
        names = [lot.group for lot in design.lots]
        own = self.group == (names.index(species) if species in names else -1)
        near = kept & own
        if not near.any():  # the species has no other tray: any other takes its place
            near = self.group == self.group[kept][0]
        columns = self._touched(near | own) | self._heavy_in(season)
        columns |= (np.array([design.columns.row(key) for key in asked]) != 0).any(axis=(0, 1))
        prior = self._prior(np.unique(self.group[near | own]), columns)
        tree = part_of(design.hierarchy, near)
        tree = replace(tree, design=tree.design[:, :, columns])
        mode = self._mode(
            tree, prior, state_of(design.hierarchy, self.law.middle, near), columns, season
        )
        return Remainder(
            law=normal_law(tree, prior, self.components, mode),
            lots=tuple(
                design.lots[k].lot
                for k in np.unique(design.hierarchy.lot[design.hierarchy.group[near]])
            ),
            columns=columns,
            told=self._touched(kept),
            codes=design.order[kept],
        )

    def _touched(self, trays: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(P,) common effects that some of the trays, (T,), have part in."""
        rows = np.unique(self.pooled.design.hierarchy.group[trays])
        return np.asarray(self._columns_of_row[rows].any(axis=0))

    @cached_property
    def _columns_of_row(self) -> NDArray[np.bool_]:
        """(G, P): which common effects each row of the design has part in."""
        return np.asarray((self.pooled.design.hierarchy.design != 0).any(axis=1))

    def _heavy_in(self, season: int | None) -> NDArray[np.bool_]:
        """(P,) heavy-tailed effects of a season: whose the blame is, the others' trays say
        together.
        """
        named = np.zeros(len(self.pooled.design.prior.heavy), dtype=bool)
        named[
            [column for name, column in self.pooled.design.columns.at.items() if name[-1] == season]
        ] = True
        return np.asarray(named & self.pooled.design.prior.heavy)

    def _prior(self, solved: Index, columns: NDArray[np.bool_]) -> BetaPrior:
        """The prior of some effects with what species tell that are not solved again, the others
        integrated out as if normal about the whole fit.
        """
        prior, middle = self.pooled.design.prior, self.law.middle.beta
        information, slope = self.told_by_all
        for group in solved:
            information = information - self.told[int(group)].information
            slope = slope - self.told[int(group)].slope
        _, by_prior, precision = prior.at(middle, self.components)
        out = ~columns
        across = information[np.ix_(out, columns)]
        left = information[np.ix_(out, out)] + np.diag(precision[out])
        pull = np.linalg.solve(left, np.column_stack([across, (slope + by_prior)[out]]))
        told = QuadraticSummary(
            _semi_definite(information[np.ix_(columns, columns)] - across.T @ pull[:, :-1]),
            slope[columns] - across.T @ pull[:, -1],
            middle[columns],
        )
        learned = {name: here[columns] for name, here in prior.learned.items()}
        return BetaPrior(
            mean=prior.mean[columns],
            sd=prior.sd[columns],
            heavy=prior.heavy[columns],
            learned=learned,
            outside=told,
        )

    def _mode(
        self,
        tree: Hierarchy,
        prior: BetaPrior,
        near: State,
        columns: NDArray[np.bool_],
        season: int | None,
    ) -> PooledMode:
        """The likeliest of up to three modes.

        Heavy-tailed effects can leave a bad spring to every species by itself, or to its slope on
        their need of cold, and Newton's method stays near where it starts.
        """
        place = np.cumsum(columns) - 1
        at = {
            name: place[column]
            for name, column in self.pooled.design.columns.at.items()
            if columns[column]
        }
        near = replace(near, beta=near.beta[columns])
        starts = [near]
        if (slope := at.get(("chill", SHARE, season))) is not None:
            own = [
                column
                for name, column in at.items()
                if name[:2] == ("species in season", SHARE) and name[-1] == season
            ]
            for size in (0.0, _SHORT_CHILL):
                beta = near.beta.copy()
                beta[own], beta[slope] = 0.0, size
                starts.append(replace(near, beta=beta))
        found = find_pooled_modes(tree, prior, [self.components] * len(starts), starts)
        return max(found, key=lambda one: one.criterion)


def _semi_definite(information: Array) -> Array:
    """The nearest positive semi-definite matrix: what trays tell far from their own mode may bend
    the wrong way, and would leave less than the prior knows.
    """
    values, vectors = np.linalg.eigh(information)
    if values.min(initial=0.0) >= 0:
        return information
    return np.asarray((vectors * values.clip(0.0)) @ vectors.T)
