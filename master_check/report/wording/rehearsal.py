"""Rehearsals in words: the ceiling that is safe, what came out, where it is worst."""

from master_check.judgement.profile import Rehearsal
from master_check.judgement.verdict import worst
from master_check.rehearsal.rehearse import PlannedCeiling, Rehearsed, Run
from master_check.report.wording.figures import signed
from master_check.report.wording.verdicts import VERDICTS, listed
from master_check.text import clock

ENCODERS_DIFFER = "another encoder, or another version of it, can overshoot more or less"


def verdict(found: Rehearsed) -> str:
    """The verdict in a word or two. What could not be made hides no failure of the rest."""
    results = {run.result for run in found.runs}
    if "error" in results and "fail" not in results:
        return "Not made" if results == {"error"} else "Incomplete"
    return VERDICTS[worst(results - {"error"})]


def headline(found: Rehearsed) -> str:
    """The answer in a few words."""
    if found.safe_gain_db is None or found.safe_ceiling_dbtp is None:
        return "Rehearsed in part" if any(run.error for run in found.runs) else "Rehearsed"
    if found.safe_gain_db == 0.0:
        return "Every encode keeps its peak limits"
    return f"Turn it down by {-found.safe_gain_db:.1f}\N{NO-BREAK SPACE}dB for the encodes"


def answer(found: Rehearsed) -> list[str]:
    """How far to turn down, and whether the ceiling of a plan is enough; a line each."""
    limited = [run for run in found.runs if run.limits and run.error is None]
    lines = []
    if found.safe_gain_db is not None and found.safe_ceiling_dbtp is None:
        lines.append("nothing comes out: the master is digital silence")
    elif found.safe_gain_db is not None and found.safe_gain_db < 0.0:
        lines.append(
            f"turn the master down by {-found.safe_gain_db:.1f} dB, to a true peak of "
            f"{_dbtp(found.safe_ceiling_dbtp)}: then every encode and conversion keeps its peak limits"
        )
        lines += _those_that_need_it(limited, found.safe_gain_db)
    elif found.safe_gain_db is not None:
        lines.append(
            f"every encode and conversion keeps its peak limits, with the master's true peak at "
            f"{_dbtp(found.safe_ceiling_dbtp)}"
        )
    elif limited:
        out = [run.rehearsal.name for run in limited if run.safe_gain_db is None]
        lines.append(f"no gain within 20 dB keeps the peak limits of {listed(out)}")
    if missing := [run.rehearsal.name for run in found.runs if run.error is not None]:
        lines.append(f"not rehearsed: {listed(list(dict.fromkeys(missing)))}")
    return lines + [line for planned in found.planned for line in _planned(planned)]


def _those_that_need_it(limited: list[Run], gain_db: float) -> list[str]:
    """Which encodes ask for it, where not all of them do, and what would be enough for the others."""
    needy = [run.rehearsal.name for run in limited if run.safe_gain_db == gain_db]
    others = max((-(run.safe_gain_db or 0.0) for run in limited if run.safe_gain_db != gain_db), default=None)
    if not needy:
        return [f"at {others:.1f} dB one is over its limit again: less level is not always less overshoot"]
    if others is None:
        return []
    rest = f"{others:.1f} dB is enough for the rest" if others else "the rest keeps its limits as it is"
    return [f"only {listed(needy)} {'needs' if len(needy) == 1 else 'need'} so much; {rest}"]


def _planned(planned: PlannedCeiling) -> list[str]:
    if planned.enough is None:
        return []
    what = f"the ceiling that `sendoff plan` takes for {planned.profile}, {_dbtp(planned.ceiling_dbtp)},"
    return [f"{what} is {'enough' if planned.enough else 'not enough'} for what was rehearsed"]


def told(rehearsal: Rehearsal) -> str:
    """What a rehearsal does."""
    kind = rehearsal.of_kind
    if kind.group == "rate":
        return f"converted to {(rehearsal.rate_hz or 0) / 1000:g} kHz"
    if kind.group == "word_length":
        return f"{rehearsal.bits} bit, {'TPDF dither' if rehearsal.dither == 'tpdf' else 'no dither'}"
    first = f", from {rehearsal.rate_hz / 1000:g} kHz" if rehearsal.rate_hz else ""
    return f"{kind.title} at {rehearsal.kbps:g} kbit/s{first}"


def details(run: Run) -> list[str]:
    """Who made it, where it is worst, and what else has to be known; a line each."""
    if run.values is None or run.measurement is None:
        return []
    lines = [_made_by(run, run.measurement.format.rate)]
    if run.worst:
        places = ", ".join(f"{clock(place.at_s)} ({signed(place.true_peak_dbtp, 'dBTP', 2)})" for place in run.worst)
        lines.append(f"worst at {places}")
    if over := run.values["over_full_scale_samples"]:
        lines.append(f"{over} {'sample lies' if over == 1 else 'samples lie'} above full scale")
    change = run.values.get("loudness_change_lu")
    if isinstance(change, float) and change < -0.15:
        lines.append(f"comes out {-change:.1f} LU quieter than the master, which hides overshoot")
    if run.rehearsal.of_kind.group == "word_length":
        lines += _words(run)
    if abs(run.late_samples) > 0.5:
        lines.append(f"comes {run.late_samples:.0f} samples later than the master")
    return lines


def _made_by(run: Run, rate: int) -> str:
    group = run.rehearsal.of_kind.group
    if group == "encode":
        return f"encoded by {run.encoder} at {rate / 1000:g} kHz, came to {run.kbps or 0.0:.0f} kbit/s"
    if run.encoder is None:
        return "nothing to do: the master is so already"
    return f"{'converted' if group == 'rate' else 'rounded'} by {run.encoder}"


def _words(run: Run) -> list[str]:
    values = run.values or {}
    noise, dither = values.get("added_noise_dbfs"), values.get("master_dither")
    lines = [] if noise is None else [f"adds noise of {noise:.1f} dBFS RMS"]
    if dither == "found":
        lines.append("the master's last bit is noisy in its quietest passages, as from dither")
    elif dither == "not found":
        lines.append("no dither was found in the master's quietest passages")
    return lines


def _dbtp(value: float | None) -> str:
    return "–" if value is None else f"{value:z.1f} dBTP"
