"""`trial` in words: how many trays, what fewer would tell, and who stands where."""

from __future__ import annotations

from itertools import groupby

from germstats.document.sentences import CAUTION, number, percent, wrapped
from germstats.document.tables import text_table
from germstats.questions.trial.spec import TrialDesign
from germstats.records.checking.parsing import so_many, spelled


def trial_text(design: TrialDesign) -> str:
    """The whole printed answer of `germstats trial`."""
    return "\n".join(
        [
            wrapped(_answer(design)),
            wrapped(_scatter(design)),
            wrapped(_checked(design)),
            *([wrapped(_too_many(design))] if design.too_many else []),
            "",
            f"What trays would tell, {percent(design.spec.power)} times of 100:",
            _told(design),
            "",
            *_bench_plan(design),
            "",
            *(wrapped(f"{note[:1].upper()}{note[1:]}.", "  ") for note in design.notes),
            "",
            wrapped(
                "Next: save the plan with --plan FILE.csv; once sown, mend its dates and add its "
                "rows to the trays of your book before the first check. Look at all its trays on "
                "the same days, zeros too, to the end of spring; then germstats compare tells."
            ),
            wrapped(CAUTION),
        ]
    )


def _each(design: TrialDesign) -> str:
    return "of each treatment" + (
        f" in each of {design.spec.seasons} seasons" if design.spec.seasons > 1 else ""
    )


def _answer(design: TrialDesign) -> str:
    spec = design.spec
    pair = f"{percent(design.share)} against {percent(design.other_share)} seedlings of 100 seeds"
    what = f"{spec.difference:g} points ({pair}) {percent(spec.power)} times of 100"
    if design.needed is None:
        said = f"To tell {what}, no number of trays anybody sows is enough."
    else:
        said = f"To tell {what}, sow {so_many(design.needed, 'tray')} {_each(design)}."
    if design.trays != design.needed:
        said += (
            f" Laid out are {design.trays}, as asked: they tell it {percent(design.power)} times "
            "of 100."
        )
    held = "" if design.seeds_left is None else f" of the {design.seeds_left} in store"
    again = ", and as many for each season after it" if spec.seasons > 1 else ""
    return (
        f"{spec.species}, {', '.join(spec.treatments[:-1])} and {spec.treatments[-1]}: {said} "
        f"Seed: lot {design.lot}, {design.seeds_per_cell} per cell, {design.seeds} seeds{held} for "
        f"season {design.season}{again}. The share it starts from: {design.share_source}."
    )


def _scatter(design: TrialDesign) -> str:
    points = f"about +-{24 * design.tray_sd:.0f} points at 60 %"
    if design.tray_sd_high is None or design.power_high is None:
        return f"It rests on trays that differ by {points}, taken as given."
    said = (
        f"It rests on how far your own trays differ at one place, {points}, which may be as much "
        f"as +-{24 * design.tray_sd_high:.0f}: then {_or_more(design.needed_high)} trays of each "
        f"would be needed, and the {design.trays} laid out tell it {percent(design.power_high)} "
        "times of 100."
    )
    if (
        design.needed_strewn is not None
        and design.needed is not None
        and design.needed_strewn > design.needed
    ):
        said += (
            f" Standing anyhow on the benches instead of in blocks, {design.needed_strewn} of each "
            "would be needed."
        )
    return said


def _or_more(trays: int | None) -> str:
    return "endless" if trays is None else number(trays)


def _checked(design: TrialDesign) -> str:
    spec = design.spec
    said = (
        f"Checked by {spec.simulations} simulated trials, judged as germstats compare judges: told "
        f"in {percent(design.power_simulated)} of 100 (give or take "
        f"{max(round(200 * design.simulation_error), 1)}), by the formula {percent(design.power)}. "
        "Told means better or worse, firm or probably."
    )
    if len(spec.treatments) > 2:
        said += " Every pair is held to the strictest step of Holm's rule."
    if spec.seasons > 1:
        said += " The effect may change from spring to spring; it is judged for springs at large."
    else:
        said += " It speaks of one spring only."
    return said + (
        " Only the new trays are counted here; germstats compare will use those on record as well."
    )


def _too_many(design: TrialDesign) -> str:
    if design.needed is None:
        first = "No number of trays tells it"
    else:
        first = f"{design.needed} trays of each are more than most nurseries can sow"
    can = [f"{trays} tell {points}" for trays, points in design.sowable]
    return (
        f"{first}: think again what difference would change your ways. Of each treatment "
        f"{', '.join(can)} points; --trays lays out what you have."
    )


def _told(design: TrialDesign) -> str:
    rows = [
        (
            str(trays),
            "-" if points is None else f"{points} points",
            " laid out" if trays == design.trays else "",
        )
        for trays, points in design.told
    ]
    return text_table(("trays of each", "they tell", ""), rows, left=0)


def _bench_plan(design: TrialDesign) -> list[str]:
    lines = [
        wrapped(
            f"Bench plan (order drawn with --seed {design.spec.seed}), sowing day taken as "
            f"{spelled(design.plan[0].sown_on)}, the middle of earlier sowings. Every place holds "
            "each treatment equally often; keep this order, water and cover all alike."
        )
    ]
    for place, trays in groupby(design.plan, key=lambda tray: tray.place):
        lines.append(
            wrapped(f"{place}: " + ", ".join(f"{tray.tray} {tray.cover}" for tray in trays), "  ")
        )
    return lines
