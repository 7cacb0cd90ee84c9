"""Stems against their mix and the rough mix: JSON, terminal and pictures."""

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import cast

import numpy as np
from rich.text import Text

from master_check.balance.mix import MixFound
from master_check.balance.rough import RoughFound
from master_check.balance.statistics import EDGES_HZ
from master_check.report import json_types as types
from master_check.report.json import rounded
from master_check.report.lines import clauses, columns
from master_check.report.pictures import DECADES, Picture, frequency_plot, minus, number_text, times
from master_check.report.svg import Plot, Tick, round_places
from master_check.report.wording.balance import level_cell, mix_summary, names, rough_summary


def mix_json(found: MixFound, sha256: str | None) -> types.MixJson:
    """`stems.mix` of what `stems --json` prints."""
    null = found.null
    return {
        "path": found.path,
        "sha256": sha256,
        "summary": mix_summary(found),
        "nulls": found.nulls,
        "null_db": rounded(null.as_they_are_db),
        "fitted_null_db": rounded(null.fitted_db),
        "limit_db": found.limit_db,
        "compared_hz": rounded(found.compared_hz),
        "common_gain_db": rounded(null.common_gain_db),
        "complete": found.complete,
        "foreign": rounded(asdict(found.foreign)) if found.foreign else None,
        "alignment": rounded(asdict(found.alignment)),
        "bus_gain_db": rounded(found.bus_gain_db),
        "bus_equaliser_hz": rounded(np.sqrt(np.array(EDGES_HZ[:-1]) * np.array(EDGES_HZ[1:]))),
        "bus_equaliser_db": rounded(found.bus_equaliser_db),
        "left_step_s": null.step_s,
        "left_db": rounded(null.over_time_db),
        "left_bands_db": rounded(null.bands_db),
        "stems": [
            {
                "path": stem.path,
                "gain_db": rounded(stem.level.gain_db),
                "within_db": rounded(stem.level.within_db),
                "confidence": rounded(float(stem.level.confidence)),
                "why": stem.level.why,
                "delay_samples": rounded(stem.delay_samples),
                "inverted": stem.level.inverted,
                "missing": stem.missing,
            }
            for stem in found.stems
        ],
    }


def rough_json(found: RoughFound, sha256: str | None) -> types.RoughJson:
    """`stems.rough` of what `stems --json` prints."""
    return {
        "path": found.path,
        "sha256": sha256,
        "summary": rough_summary(found),
        "alignment": rounded(asdict(found.alignment)),
        "against_mix": found.against_mix,
        "stems": [cast(types.BalanceDifferenceJson, rounded(asdict(each))) for each in found.stems],
        "groups": [cast(types.BalanceDifferenceJson, rounded(asdict(each))) for each in found.groups],
        "extra": rounded(asdict(found.extra)) if found.extra else None,
    }


def mix_lines(found: MixFound, width: int) -> list[Text]:
    """For the terminal: whether the stems make the mix, then a row a stem."""
    lines = [line for told in mix_summary(found) for line in clauses(told, width)]
    called = names(stem.path for stem in found.stems)
    rows = [
        [
            called[stem.path],
            level_cell(stem.level),
            "\u2013" if stem.missing else f"{stem.delay_samples:+.0f}" if round(stem.delay_samples) else "0",
            "not there" if stem.missing else "inverted" if stem.level.inverted else "same",
        ]
        for stem in found.stems
    ]
    return [*lines, Text(), *columns(["in the mix", "level", "delay, samples", "polarity"], rows, width)]


def rough_lines(found: RoughFound, width: int) -> list[Text]:
    """For the terminal: the balance in words."""
    return [line for told in rough_summary(found) for line in clauses(told, width)]


def null_picture(found: MixFound) -> Picture | None:
    """What is left of the mix over time, dB; None of silence."""
    left = found.null.over_time_db
    known = left[np.isfinite(left)]
    if not len(known):
        return None
    bottom = max(math.floor(float(known.min()) / 10.0) * 10.0 - 10.0, -170.0)
    plot = Plot((0.0, len(left) * found.null.step_s), (bottom, 0.0), "plot low")
    plot.scale_y([Tick(at, number_text(at)) for at in round_places(bottom, 0.0, 5)], "dB")
    seconds = np.arange(len(left) + 1) * found.null.step_s
    plot.stairs(seconds, left, "band", base=bottom)
    plot.stairs(seconds, left, "line")
    if bottom < found.limit_db < 0.0:
        plot.level(found.limit_db, "target")
    plot.scale_x(times(float(seconds[-1])))
    label = f"What is left of the mix over time, at most {known.max():.0f} dB against it."
    key = [("line", "left with each stem as it is in the mix")]
    if bottom < found.limit_db < 0.0:
        key.append(("target", minus(f"limit {found.limit_db:g} dB")))
    return Picture(plot.svg(), minus(label), tuple(key))


def left_picture(found: MixFound) -> Picture | None:
    """What is left of the mix in third octaves, dB against the mix there."""
    left = found.null.bands_db
    known = left[np.isfinite(left)]
    if not len(known):
        return None
    bottom = max(math.floor(float(known.min()) / 10.0) * 10.0 - 10.0, -170.0)
    plot = frequency_plot(bottom, 0.0, [Tick(at, number_text(at)) for at in round_places(bottom, 0.0, 5)])
    plot.stairs(DECADES, np.where(np.isfinite(left), left, bottom), "band", base=bottom)
    plot.stairs(DECADES, left, "line")
    return Picture(plot.svg(), minus(f"What is left of the mix in third octaves, at most {known.max():.0f} dB."))


def balance_bars(found: RoughFound) -> Sequence[tuple[str, str, float | None, float, float]]:
    """For the page: name, figure, then where the middle and both ends of its interval stand, percent of the width."""
    known = [
        abs(each.difference_db) + (each.within_db or 0.0) for each in found.stems if each.difference_db is not None
    ]
    reach = max([3.0, *known]) * 1.05
    rows: list[tuple[str, str, float | None, float, float]] = []
    called = names(each.path for each in found.stems)
    for each in found.stems:
        name = called[each.path]
        if each.difference_db is None:
            rows.append((name, "\u2013", None, 0.0, 0.0))
            continue
        # What is louder in the mix stands to the right.
        middle, half = -each.difference_db, each.within_db or 0.0
        at = [50.0 + 50.0 * place / reach for place in (middle, middle - half, middle + half)]
        rows.append((name, minus(f"{middle:+z.1f} dB"), at[0], at[1], at[2]))
    return rows
