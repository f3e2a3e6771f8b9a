"""Simulated nurseries with planted causes: seeded, quick, and true to what they say was planted."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from nurseries.failures import CAUSES, FailureSpec, simulate_failures

from germstats.engine.fit import fit_emergence
from germstats.maps.tray_map import join_count, overfull_cells
from germstats.maps.tray_scans import outer_cells

QUIET = FailureSpec(hit=0.0, short_chill=0.0, decoys=False)


def only(cause: str, **changes: object) -> FailureSpec:
    return replace(QUIET, causes=(cause,), hit=1.0, twice=0.0, seasons=1, **changes)


def hit_trays(spec: FailureSpec, cause: str, seeds: range):
    for seed in seeds:
        nursery = simulate_failures(spec, seed)
        yield from (one for one in nursery.trays.values() if cause in one.plan.causes)


def test_the_same_seed_gives_the_same_nursery():
    first, again, other = (simulate_failures(FailureSpec(), seed) for seed in (4, 4, 5))
    pd.testing.assert_frame_equal(first.patterns.trays, again.patterns.trays)
    assert first.truth == again.truth
    assert first.tests == again.tests
    assert first.truth != other.truth


@pytest.mark.parametrize("record", ["cells", "totals", "maps"])
@pytest.mark.parametrize("trays", [1, 2, 4])
def test_patterns_agree_with_the_trays(record, trays):
    nursery = simulate_failures(FailureSpec(record=record, trays=trays), 3)
    table = nursery.patterns.trays
    assert set(table["tray"]) | set(nursery.patterns.left_out) == set(nursery.trays)
    assert set(nursery.maps) == (set() if record == "totals" else set(nursery.trays))
    ends = nursery.patterns.finishes.groupby("tray")["count"].sum()
    came = nursery.patterns.occupied.groupby("tray")["count"].sum()
    for code, name in enumerate(table["tray"]):
        facts = nursery.trays[name]
        assert table["filled"].iloc[code] == facts.filled
        if record == "cells":
            assert ends[code] == 72
            assert facts.seen_map.filled.sum() == facts.filled
            seen = nursery.patterns.times
            assert seen.loc[seen["tray"] == code, "count"].sum() == np.nansum(
                facts.seen_map.emerged
            )
        else:
            assert ends.get(code, 0) + came.get(code, 0) == 72
            assert facts.seen_map is None or facts.seen_map.source == "maps"


def test_only_impossible_records_stay_out_of_the_estimates():
    nursery = simulate_failures(FailureSpec(trays=4, hit=1.0), 6)
    for name, facts in nursery.trays.items():
        impossible = facts.falls > 0 or overfull_cells(facts.seen_map).count > 0
        assert (name in nursery.patterns.left_out) == impossible
    assert nursery.patterns.left_out


def test_a_quiet_nursery_has_no_causes_and_can_be_fitted():
    nursery = simulate_failures(QUIET, 1)
    assert all(lot.causes == lot.detectable == lot.decoys == () for lot in nursery.truth)
    fit = fit_emergence(nursery.patterns)
    truth = {lot.lot: lot.share for lot in nursery.truth}
    held = [row.emergence_low <= truth[row.lot] <= row.emergence_high for row in fit.rows]
    assert len(held) == 12
    assert np.mean(held) >= 0.75


def test_every_cause_is_planted_and_some_of_each_can_be_seen():
    spec, planted, seen = FailureSpec(trays=2), dict.fromkeys(CAUSES, 0), dict.fromkeys(CAUSES, 0)
    twice = 0
    for seed in range(60):
        for lot in simulate_failures(spec, seed).truth:
            assert set(lot.detectable) <= set(lot.causes) <= set(CAUSES)
            twice += len(lot.causes) > 1
            for cause in CAUSES:
                planted[cause] += cause in lot.causes
                seen[cause] += cause in lot.detectable
    assert min(planted.values()) >= 10
    assert min(seen.values()) >= 2
    assert twice >= 10


def test_an_accident_in_a_tray_that_was_empty_before_is_hidden():
    """A mouse in a lot that too few cold weeks had left nearly empty: by the truth of what came,
    not by its map.
    """
    hidden, can_hide = [], {"mouse", "wash", "dry", "chill", "damp", "tray"}
    for seed in range(60):
        nursery = simulate_failures(FailureSpec(trays=1, twice=1.0, hit=1.0, short_chill=1.0), seed)
        hidden += [lot for lot in nursery.truth if set(lot.hidden) - {"chill"}]
        for lot in nursery.truth:
            assert set(lot.hidden) <= set(lot.causes) & can_hide - set(lot.detectable)
    assert len(hidden) >= 5
    # these hide otherwise
    over = [lot for lot in hidden if not {"unfinished", "damp", "tray"} & set(lot.causes)]
    # two seeds a cell, in the spring they had
    fill = [1 - (1 - lot.real_share) ** 2 for lot in over]
    assert np.median(fill) < 0.3 and max(fill) < 0.7


def test_damping_off_after_the_last_check_is_hidden():
    """Few had died by the last check of a lot whose checks stopped early: the records cannot tell
    of the rest.
    """
    found = []
    for seed in range(200):
        nursery = simulate_failures(
            FailureSpec(trays=2, twice=1.0, hit=1.0, causes=("damp", "unfinished")), seed
        )
        for lot in nursery.truth:
            trays = [nursery.trays[tray] for tray in lot.trays]
            if "damp" in lot.hidden:
                found.append(max(one.damped for one in trays))
                assert max(one.hurt.get("damp", 0.0) for one in trays) >= 0.25
            assert ("damp" in lot.detectable) == any(one.damped >= 0.25 for one in trays)
    assert len(found) >= 5 and max(found) < 0.25


def test_a_ring_in_a_tray_that_something_had_emptied_is_hidden():
    """What thinned a tray to a few seedlings leaves no ring to be seen, though most of those few
    dried out.
    """
    filled, shown = [], 0
    for seed in range(150):
        nursery = simulate_failures(
            FailureSpec(trays=2, twice=1.0, hit=1.0, causes=("tray", "dry")), seed
        )
        for lot in nursery.truth:
            hit = [nursery.trays[tray] for tray in lot.trays if "dry" in nursery.trays[tray].hurt]
            if "dry" in lot.hidden and "tray" in lot.causes:
                filled += [one.filled for one in hit]
            shown += "dry" in lot.detectable
    assert len(filled) >= 5 and shown >= 5
    assert np.median(filled) < 24 and max(filled) <= 40  # of 72; half is what is expected at most


def test_a_thinned_tray_is_hidden_only_where_something_else_had_emptied_its_lot():
    """A third of five seedlings is not to be seen; a species that always comes sparsely hides
    nothing.
    """
    for causes, may_hide in ((("tray", "chill"), True), (("tray",), False)):
        hidden = []
        for seed in range(60):
            spec = FailureSpec(trays=2, twice=1.0, hit=1.0, causes=causes, short_chill=1.0)
            hidden += [lot for lot in simulate_failures(spec, seed).truth if "tray" in lot.hidden]
        assert bool(hidden) == may_hide
        # two seeds a cell, in the spring they had
        fill = [1 - (1 - lot.real_share) ** 2 for lot in hidden]
        assert not hidden or (len(hidden) >= 5 and np.median(fill) < 0.3)


def test_what_cannot_be_seen_is_not_called_detectable():
    for seed in range(15):
        for lot in simulate_failures(FailureSpec(trays=1, record="totals", hit=1.0), seed).truth:
            assert not {"tray", "cover", "mouse", "wash", "dry"} & set(lot.detectable)
        for lot in simulate_failures(only("seed", tests=False, lots=1), seed).truth:
            assert lot.detectable == ()


def test_dead_seed_and_short_chill_lower_what_comes():
    for cause in ("seed", "chill"):
        spec = replace(only(cause), short_chill=1.0)
        hit = [
            lot
            for seed in range(10)
            for lot in simulate_failures(spec, seed).truth
            if cause in lot.causes
        ]
        assert len(hit) >= 20
        assert np.mean([lot.real_share / lot.share for lot in hit]) < 0.7
    tests = [simulate_failures(only("seed"), seed).tests.values() for seed in range(10)]
    healthy = [simulate_failures(QUIET, seed).tests.values() for seed in range(10)]
    low, usual = (
        np.mean([one.good / one.tested for group in groups for one in group])
        for groups in (tests, healthy)
    )
    assert low < 0.35 < 0.6 < usual


def test_short_chill_follows_the_need():
    nursery = simulate_failures(replace(QUIET, causes=("chill",), short_chill=1.0), 2)
    need = nursery.species.set_index("species")["chill_weeks"]
    for lot in nursery.truth:
        assert ("chill" in lot.causes) == bool(need[lot.species] >= 8)


def test_only_light_needing_seed_suffers_under_sand():
    nurseries = [
        simulate_failures(replace(only("cover"), decoys=True, trays=4), seed) for seed in range(10)
    ]
    light = {
        species for one in nurseries for species in one.species.query("light == 'needs'")["species"]
    }
    shares: dict[tuple[bool, str], list[float]] = {}
    for one in nurseries:
        for lot in one.truth:
            assert ("cover" in lot.causes) == (lot.species in light)
            for tray in lot.trays:
                plan = one.trays[tray].plan
                shares.setdefault((lot.species in light, plan.cover), []).append(
                    plan.share / lot.share
                )
    assert np.mean(shares[True, "sand"]) < 0.5 < np.mean(shares[True, "none"])
    assert abs(np.mean(shares[False, "sand"]) - np.mean(shares[False, "none"])) < 0.15


def test_washed_seed_lies_in_cells_beside_a_bare_strip():
    over = []
    for facts in hit_trays(only("wash"), "wash", range(4)):
        emerged = facts.seen_map.emerged
        bare = np.flatnonzero((emerged == 0).all(axis=0))
        wide = int(facts.plan.causes["wash"])
        runs = [bare[k : k + wide] for k in range(len(bare) - wide + 1)]
        run = next(one for one in runs if one[-1] - one[0] == wide - 1)
        names = overfull_cells(facts.seen_map).cells
        assert {int(name[1:]) - 1 for name in names} <= {run[0] - 1, run[-1] + 1}
        over.append(len(names))
    assert np.mean(np.array(over) >= 2) > 0.6


def test_a_mouse_leaves_nothing_in_a_block_from_an_edge_and_dry_edges_spare_the_middle():
    for facts in hit_trays(only("mouse"), "mouse", range(3)):
        assert 0 <= facts.hurt["mouse"] <= 0.7
    outer = outer_cells(6, 12)
    gap = [
        one.seen_map.filled[~outer].mean() - one.seen_map.filled[outer].mean()
        for one in hit_trays(only("dry"), "dry", range(3))
    ]
    assert np.mean(gap) > 0.3


def test_damping_off_takes_clumps_after_they_came():
    spec, clumped, lost, usual = only("damp", trays=1), [], [], []
    for facts in hit_trays(spec, "damp", range(6)):
        seen = facts.seen_map
        clumped.append(join_count(seen.lost > 0, seen.known).p < 0.01)
        lost.append(facts.lost / max(facts.ever, 1))
    for facts in simulate_failures(QUIET, 2).trays.values():
        usual.append(facts.lost / max(facts.ever, 1))
    assert np.mean(clumped) >= 0.85  # the design's power: .85 to .93
    assert np.mean(lost) > 0.2 > 0.08 > np.mean(usual)


def test_miscounts_fall_by_cell_or_at_once():
    cells = list(hit_trays(only("miscount", trays=1), "miscount", range(3)))
    assert np.mean([one.falls > 3 for one in cells]) >= 0.95
    assert all((one.falls > 0) == one.stopped for one in cells)
    totals = list(hit_trays(only("miscount", trays=1, record="totals"), "miscount", range(3)))
    assert np.mean([one.sudden for one in totals]) > 0.3
    healthy = [
        one
        for seed in range(3)
        for one in simulate_failures(replace(QUIET, record="totals"), seed).trays.values()
    ]
    assert np.mean([one.sudden for one in healthy]) < 0.02


def test_unfinished_lots_were_not_looked_at_to_the_end():
    for seed in range(5):
        nursery = simulate_failures(only("unfinished"), seed)
        for lot in nursery.truth:
            late = [nursery.trays[tray] for tray in lot.trays]
            assert all(len(one.plan.checks) < 12 for one in late)
            more = max(one.finally_filled - one.filled for one in late)
            assert ("unfinished" in lot.detectable) == (more >= 0.2 * 72)


def test_the_weather_tells_of_the_winter_that_was_planted_and_now_and_then_of_one_that_was_not():
    """15 weeks of cold, 8 in a short winter, the thermometer 1.5 off; in a decoy it says 10 where
    there were 15.
    """
    told: dict[str, list[float]] = {}
    for seed in range(200):
        nursery = simulate_failures(FailureSpec(trays=1, short_chill=0.3, lots=1), seed)
        told.setdefault(nursery.winter, []).append(nursery.cold[nursery.season])
        hurt = {lot.species for lot in nursery.truth if "chill" in lot.causes}
        # they need 8 and 11 weeks
        assert hurt == ({"S2", "S3"} if nursery.winter == "short" else set())
        assert set(nursery.cold) == {nursery.season - 1, nursery.season}
    for winter, weeks in (("ordinary", 15.0), ("short", 8.0), ("looks short", 10.0)):
        held = np.array(told[winter])
        assert len(held) >= 5
        # four standard errors
        assert abs(held.mean() - weeks) < 4 * 1.5 / np.sqrt(len(held)), winter


def test_tray_totals_tell_how_far_they_fell_and_how_much_at_once():
    for facts in simulate_failures(
        FailureSpec(record="totals", hit=1.0, causes=("damp",)), 3
    ).trays.values():
        standing = facts.standing
        falls = [max(standing[: k + 1].max() - here, 0) for k, here in enumerate(standing)]
        assert facts.lost == max(falls)
        assert facts.at_once == max(0, max(-np.diff(standing)))
        assert facts.at_once <= facts.lost <= facts.ever


def test_a_nursery_takes_well_under_a_tenth_of_a_second():
    simulate_failures(FailureSpec(trays=4), 0)
    times = []
    for seed in range(5):
        start = time.process_time()
        simulate_failures(FailureSpec(trays=4), seed)
        times.append(time.process_time() - start)
    assert min(times) < 0.1
