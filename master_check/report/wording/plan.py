"""A plan in words: what the premaster needs, then what to set each kind of limiter to."""

from dataclasses import dataclass

from master_check.limiting.plan import DEEPEST_DB, PROMISED_TOLERANCE_LU, Plan, Setting
from master_check.report.wording.figures import signed
from master_check.text import clock

RELEASES_TELL_LU = 0.3
"""A wider range of loudness over the releases is told."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What one kind of limiter can do.

    Attributes
    ----------
    heading : str
        What to set, or that no setting reaches the target.
    details : tuple of str
        What comes of it, and what it costs.
    setting : bool
        Whether the heading is a setting that meets the target.
    """

    heading: str
    details: tuple[str, ...]
    setting: bool


def headline(plan: Plan, profile: str) -> str:
    """The plan in a sentence."""
    found = plan.true_peak_limiter or plan.sample_peak_limiter
    if plan.need == "limiter" and found is not None:
        return f"{signed(found.gain_db, 'dB')} into the limiter for {profile}"
    if plan.need == "no_target" and plan.plain is not None:
        return f"{signed(plan.plain.gain_db, 'dB')} up to the peak limit of {profile}"
    words = {
        "nothing": "No gain needed for {}",
        "turn_down": "Turn it down for {}",
        "plain_gain": "Gain alone is enough for {}",
        "out_of_reach": "The target of {} is out of reach",
        "unmeasurable": "Nothing to plan for {}",
    }
    return words.get(plan.need, "Plan for {}").format(profile)


def summary(plan: Plan) -> list[str]:
    """The whole plan, a line each; details are indented."""
    lines = needs(plan)
    for answer in limiters(plan):
        lines += [answer.heading, *(f"  {line}" for line in answer.details)]
    return lines


def without_settings(plan: Plan) -> list[str]:
    """What the plan says in words, where a table beside it has the settings and their figures."""
    return [*needs(plan), *(answer.heading for answer in limiters(plan) if not answer.setting)]


def needs(plan: Plan) -> list[str]:
    """What the premaster reads, and whether gain alone is enough."""
    before, plain = plan.premaster, plan.plain
    if plain is None:
        return ["nothing to plan: the file is silent, or shorter than the 400 ms that a loudness reading takes"]
    target = _lufs(plan.target_lufs)
    gain, peak = signed(plain.gain_db, "dB"), f"true peak {signed(plain.result.true_peak_dbtp, 'dBTP')}"
    need = {
        "no_target": f"no loudness target: {gain} brings the true peak to the limit, at "
        f"{_lufs(plain.result.integrated_lufs)}",
        "nothing": f"no gain needed: already at the target of {target}, {peak}",
        "turn_down": f"above the target of {target}: turn it down by {abs(plain.gain_db):.1f} dB, {peak} after that; "
        "no limiter needed",
        "plain_gain": f"gain alone reaches {target}: {gain}, {peak} after that; no limiter needed",
        "limiter": f"gain alone, {gain} to {target}, would put the true peak at "
        f"{signed(plain.result.true_peak_dbtp, 'dBTP')}: a limiter is needed",
        "out_of_reach": f"{target} is out of reach, even with {DEEPEST_DB:.0f} dB of limiting",
    }[plan.need]
    lines = [f"premaster: {_lufs(before.integrated_lufs)}, true peak {signed(before.true_peak_dbtp, 'dBTP')}", need]
    lines += _playback(plain) if plan.need in ("nothing", "turn_down", "plain_gain") else []
    return lines + _allowed_for(plan)


def _allowed_for(plan: Plan) -> list[str]:
    """What the limit allows for; nothing where nothing was rehearsed."""
    allowed = plan.allowed_for
    if allowed is None:
        return []
    limit = signed(plan.true_peak_limit_dbtp, "dBTP")
    lowered = f"limit lowered by {allowed.lowered_db:.1f} dB to {limit}" if allowed.lowered_db else f"limit of {limit}"
    worst = max(allowed.runs, key=lambda run: run.over_db)
    made = "" if worst.encoder is None else f" by {worst.encoder}; another encoder can differ"
    return [
        f"{lowered}: everything rehearsed keeps its peak limits with it; closest is {worst.name}, true peak "
        f"{signed(worst.true_peak_dbtp, 'dBTP', 2)}{made}"
    ]


def limiters(plan: Plan) -> list[Answer]:
    """What each kind of limiter can do; nothing where none is needed."""
    answers = (
        _limiter(plan, "true-peak limiter", plan.true_peak_limiter, plan.true_peak_affordable),
        _limiter(plan, "sample-peak limiter", plan.sample_peak_limiter, plan.sample_peak_affordable),
    )
    return [answer for answer in (*answers, _clipper(plan)) if answer is not None]


def _clipper(plan: Plan) -> Answer | None:
    """What clipping ahead of a true-peak limiter does; nothing where none was asked for, or no limiter is needed."""
    name = "clipper, then true-peak limiter"
    if plan.clip is None or plan.need not in ("limiter", "out_of_reach", "no_target"):
        return None
    if plan.target_lufs is None:
        return Answer(f"{name}: no loudness target, so nothing to clip for", (), False)
    setting, most = plan.clipped, f"{plan.max_gain_reduction_db:.1f} dB of gain reduction (95th percentile)"
    if setting is None:
        return Answer(f"{name}: {_lufs(plan.target_lufs)} is out of reach", (), False)
    within = _p95(setting) <= plan.max_gain_reduction_db
    splits = f"other splits: {', '.join(_split(each) for each in plan.splits if each is not setting)}"
    if setting.clip is None:
        why = f"no clipping needed, the limiter alone stays within {most}" if within else "clipping does not help"
        return Answer(f"{name}: {why}", (splits,), False)
    clip = setting.clip
    why = f"the least clipping that stays within {most}" if within else f"none stays within {most}; this comes nearest"
    return Answer(
        f"{name}: clip at {signed(clip.at_dbfs, 'dBFS')} ({clip.shape}), then ceiling {ceiling(setting)}, "
        f"gain {signed(setting.gain_db, 'dB')}",
        (
            f"takes {clip.by_db:.1f} dB off the highest peak, THD {clip.thd_percent:.1f} % there: {why}",
            *_details(setting, plan.target_lufs),
            splits,
        ),
        True,
    )


def _p95(setting: Setting) -> float:
    return 0.0 if setting.gain_reduction is None else setting.gain_reduction.gain_reduction_p95_db


def _split(setting: Setting) -> str:
    clip = setting.clip
    what = "no clipping" if clip is None else f"{clip.by_db:.1f} dB (THD {clip.thd_percent:.1f} %)"
    return f"{what} leaves {_p95(setting):.1f} dB of gain reduction"


def other_releases(setting: Setting) -> str | None:
    """What limiters of other releases make of a setting, where they differ enough; else None."""
    found = setting.release_range
    if found is None or found.loudest_lufs - found.quietest_lufs <= RELEASES_TELL_LU:
        return None
    releases = f"with a release of {found.shortest_ms:.0f} to {found.longest_ms:.0f} ms"
    return f"{releases}: {found.loudest_lufs:.1f} to {_lufs(found.quietest_lufs)}"


def _limiter(plan: Plan, name: str, setting: Setting | None, affordable: Setting | None) -> Answer | None:
    cost = f"{plan.max_gain_reduction_db:.1f} dB of gain reduction (95th percentile)"
    if setting is not None:
        details = _details(setting, plan.target_lufs)
        if affordable is not None and plan.target_lufs is None:
            details.append(f"the loudest within {cost}: {_result(affordable)}")
        elif affordable is not None:
            details.append(f"this costs more than {cost}; the loudest within that: {_result(affordable)}")
        return Answer(f"{name}: ceiling {ceiling(setting)}, gain {signed(setting.gain_db, 'dB')}", tuple(details), True)
    within = () if affordable is None else (f"the loudest within {cost}: {_result(affordable)}",)
    if plan.need == "limiter":
        return Answer(f"{name}: {_lufs(plan.target_lufs)} is out of reach", within, False)
    return Answer(f"{name}, {within[0]}", (), False) if within else None


def _details(setting: Setting, target: float | None) -> list[str]:
    result, work = setting.result, setting.gain_reduction
    lines = [
        f"result: {_lufs(result.integrated_lufs)}, true peak {signed(result.true_peak_dbtp, 'dBTP', 2)}, "
        f"PLR {result.plr_lu or 0.0:.1f} LU"
    ]
    releases = other_releases(setting)
    if releases is not None:
        lines.append(releases)
    if work is not None and work.worst:
        lines.append(
            f"gain reduction: {work.gain_reduction_max_db:.1f} dB at most, "
            f"95th percentile {work.gain_reduction_p95_db:.1f} dB, "
            f"mean {work.gain_reduction_mean_db:.1f} dB while limiting ({work.active_percent:.0f} % of the time)"
        )
        places = ", ".join(f"{clock(place.at_s)} ({place.gain_reduction_db:.1f} dB)" for place in work.worst)
        lines.append(f"limits hardest at {places}")
    return lines + _playback(setting) + _missed(setting, target)


def _missed(setting: Setting, target: float | None) -> list[str]:
    reading = setting.result.integrated_lufs
    if target is None or reading is None or abs(reading - target) <= PROMISED_TOLERANCE_LU:
        return []
    return [f"no gain gets closer to {_lufs(target)}: the loudness gate makes the reading jump there"]


def _playback(setting: Setting) -> list[str]:
    playback = setting.playback
    if playback is None:
        return []
    level, plr = _lufs(playback.playback_lufs), f"{playback.plr_lu:.1f} LU"
    if abs(playback.gain_db) < PROMISED_TOLERANCE_LU:
        return [f"playback at {level}: level unchanged, PLR {plr}"]
    gain = f"{abs(playback.gain_db):.1f} dB"
    turned = f"turned down by {gain}" if playback.gain_db < 0 else f"turned up by {gain} if the player turns up at all"
    return [f"playback at {level}: {turned}, PLR stays {plr}, true peak {signed(playback.true_peak_dbtp, 'dBTP')}"]


def _result(setting: Setting) -> str:
    found = f"{_lufs(setting.result.integrated_lufs)}, ceiling {ceiling(setting)}, gain {signed(setting.gain_db, 'dB')}"
    releases = other_releases(setting)
    return found if releases is None else f"{found} ({releases})"


def ceiling(setting: Setting) -> str | None:
    """The ceiling with its unit; None for gain alone."""
    for value, unit in ((setting.ceiling_dbtp, "dBTP"), (setting.ceiling_dbfs, "dBFS")):
        if value is not None:
            # A ceiling is a limit: two decimals where one would not be the figure itself.
            return f"{value:.1f} {unit}" if abs(value - round(value, 1)) < 1e-6 else f"{value:.2f} {unit}"
    return None


def _lufs(value: float | None) -> str:
    return "no loudness" if value is None else f"{value:z.1f} LUFS"
