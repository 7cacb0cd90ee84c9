"""From one approved master the file that each place takes: written, measured, judged, compared and listed."""

import hashlib
import os
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import soundfile

from master_check import cores
from master_check.delivery import manifest
from master_check.delivery.delivered import Delivered, DeliveredFile
from master_check.delivery.null import null_test
from master_check.delivery.order import DeliveryError, Order, order, stated_texts, time_reference
from master_check.delivery.prepared import prepared
from master_check.delivery.words import Words, tenths_up
from master_check.judgement.checked import Checked, asks_origin, load_all
from master_check.judgement.profile import Profile
from master_check.judgement.verdict import Verdict, judge
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure
from master_check.output import OutputError, Parts
from master_check.sound.audio_checksum import audio_sha256
from master_check.sound.checksum import state
from master_check.sound.format import AudioError
from master_check.sound.tags.writing import write_aiff_tags, write_flac_tags, write_wave_tags
from master_check.sound.writing import write_sound
from master_check.tables.layouts import Layout

_TRIES: Final = 6
"""Files written for one that is turned down: dither is another one each time, and what is over shrinks."""

_PEAKS: Final = ("sample_peak_dbfs", "true_peak_dbtp")

_STATED: Final = {
    "integrated_lufs": "loudness_lufs",
    "loudness_range_lu": "loudness_range_lu",
    "true_peak_dbtp": "true_peak_dbtp",
    "momentary_max_lufs": "momentary_max_lufs",
    "short_term_max_lufs": "short_term_max_lufs",
}
"""What a bext chunk states of what was measured."""


def deliver(
    master: str | Path,
    profiles: str | Path | Profile | Sequence[str | Path | Profile],
    to: str | Path,
    *,
    trim: bool = False,
    layout: Layout | None = None,
    threads: int | None = None,
    progress: Callable[[float], Any] | None = None,
) -> Delivered:
    """Write the file that each profile's `[deliver]` asks for, measure and judge it again, and list all of them.

    Never louder than the master, never limited. Dithered exactly where bits are lost.

    Parameters
    ----------
    master : str or path
    profiles : one or a sequence of str, path or Profile
        A file is written for each.
    to : str or path
        The folder for the files and their list; made where it is not there.
    trim : bool
        Turn down what would exceed full scale, the profile's peak limits, or a loudness that is a must, by as many
        tenths of a decibel as it takes.
    layout : Layout, optional
        What the master's channels are, where it does not say or is wrong.
    threads : int, optional
        Pieces converted at once, one for each core by default; no sample depends on it.
    progress : callable, optional
        Told the share of the whole (0 to 1) done since it was last told.

    Returns
    -------
    Delivered

    Raises
    ------
    DeliveryError
        A file cannot be made: its profile does not say, its name is taken, or it would exceed full scale.
    AudioError
        The master cannot be read, or changed meanwhile.
    OutputError
        The folder cannot be written; nothing is left in it then.
    ProfileError
        A profile cannot be used.
    """
    loaded, folder = load_all(profiles), Path(to)
    tell = progress or _nobody
    share = 1.0 / (1 + 2 * len(loaded))
    before = state(str(master))
    measured = measure(master, layout, ahead=True, progress=lambda part: tell(part * share))
    orders = [order(measured, profile) for profile in loaded]
    listed = manifest.free_place(folder, Path(master))
    _check_names(orders, folder)
    with Parts(folder) as parts, ThreadPoolExecutor(cores.threads(threads)) as pool:
        made = [_made(each, parts, pool, trim, tell, share) for each in orders]
        if state(str(master)) != before:
            raise AudioError(str(master), "changed while it was delivered; deliver again")
        files = tuple(file for _, file in made)
        found = Delivered(Checked(str(master), measured), audio_sha256(master), files, str(listed))
        page = parts.new()
        _write_text(page, manifest.text(found), folder)
        parts.place(
            [(part, folder / each.name) for (part, _), each in zip(made, orders, strict=True)] + [(page, listed)]
        )
    return found


def _nobody(share: float) -> None:
    pass


def _check_names(orders: Sequence[Order], folder: Path) -> None:
    """Refuse what would be overwritten, before anything is written."""
    names: dict[str, str] = {}
    for each in orders:
        # Names that some file system takes for one.
        other = names.setdefault(unicodedata.normalize("NFC", each.name).casefold(), each.profile.name)
        if other != each.profile.name:
            raise DeliveryError(
                f"{folder / each.name}: is what both {other} and {each.profile.name} call their file; "
                "give one of them another name in its [deliver], such as with {profile}"
            )
    for path in (folder / each.name for each in orders):
        if os.path.lexists(path):
            raise DeliveryError(f"{path}: is already there; deliver into another folder, or move it away first")


def _made(
    each: Order, parts: Parts, pool: ThreadPoolExecutor, trim: bool, tell: Callable[[float], Any], share: float
) -> tuple[Path, DeliveredFile]:
    """Write one file and look at it again."""
    part, path = parts.new(), parts.folder / each.name
    with _writing(path):
        words, trim_db = _written(each, part, path, pool, trim)
        tell(share)
        dithered = _dithered(each, trim_db)
        measured = _measured(each, part, path)
        if each.wanted.metadata:
            _write_tags(each, part, measured, trim_db, dithered)
            measured = _measured(each, part, path)
        null = null_test(each, part, trim_db, dithered)
        sound = audio_sha256(part)
    if sound != words.sha256 or measured.values["duration_s"] != words.frames / each.rate:
        raise OutputError(f"{path}: does not read back as it was written; the disk may be failing")
    verdict = judge(measured, each.profile)
    tell(share)
    return part, DeliveredFile(
        str(path),
        measured,
        (verdict,),
        None,
        each.profile.name,
        trim_db,
        each.master.format.rate if each.ratio != 1 else None,
        dithered,
        (each.head / each.rate, each.tail / each.rate),
        null,
        sound,
    )


def _measured(each: Order, part: Path, path: Path) -> Measurement:
    """What was written, under the name that it will have."""
    try:
        found = measure(part, each.master.format.layout, ahead=True, origin=asks_origin([each.profile]))
    except AudioError as error:
        raise OutputError(f"{path}: does not read back as it was written ({error.problem})") from None
    return replace(found, path=str(path))


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, soundfile.LibsndfileError) as error:
        raise OutputError(f"{path}: cannot be written ({getattr(error, 'strerror', None) or error})") from None


def _dithered(each: Order, trim_db: float) -> bool:
    return each.wanted.dither == "tpdf" and each.loses_bits(trim_db)


def _written(each: Order, part: Path, path: Path, pool: ThreadPoolExecutor, trim: bool) -> tuple[Words, float]:
    """Write the samples; with `trim` again and further down, until they fit and keep the profile's limits."""
    trim_db = 0.0
    for _ in range(_TRIES):
        words = Words(each.bits, _dithered(each, trim_db), _seed(each))
        with prepared(each, trim_db, pool) as pieces:
            labels = tuple(each.master.format.labels)
            write_sound(part, each.container, each.rate, each.bits, labels, words.of(pieces))
        more = words.trim_db
        if more and not trim:
            where = f"{each.profile.name}, at {each.rate / 1000:g} kHz" if each.ratio != 1 else each.profile.name
            raise DeliveryError(
                f"{each.master.path}: would exceed full scale for {where}; --trim turns that file down by {more:.1f} dB"
            )
        if trim and not more:
            more = trim_needed(judge(_measured(each, part, path), each.profile))
        if not more:
            return words, trim_db
        trim_db = round(trim_db + more, 1)
    raise DeliveryError(
        f"{each.master.path}: its file for {each.profile.name} is over its limits even {trim_db:.1f} dB down"
    )


def trim_needed(verdict: Verdict) -> float:
    """By how much a file has to be turned down for its peak limits and for a loudness that is a must, in tenths of a
    decibel; 0 where it keeps them."""
    over = [0.0]
    for finding in verdict.broken():
        rule, value = finding.rule, finding.value
        if not isinstance(value, int | float):
            continue
        if rule.measure in _PEAKS and rule.max is not None:
            over.append(value - rule.max)
        elif rule.measure == "integrated_lufs" and rule.level == "must":
            most = rule.target if rule.target is not None else rule.max
            over.append(value - most if most is not None else 0.0)
    return tenths_up(max(over)) if max(over) > 0.0 else 0.0


def _seed(each: Order) -> int:
    """The same master and profile get the same dither."""
    told = f"{each.master.sha256} {each.profile.name} {each.rate} {each.bits}"
    return int.from_bytes(hashlib.sha256(told.encode()).digest()[:8], "big")


def _write_tags(each: Order, part: Path, measured: Measurement, trim_db: float, dithered: bool) -> None:
    texts = stated_texts(each, trim_db, dithered)
    if each.wanted.container == "FLAC":
        write_flac_tags(part, texts)
    elif each.wanted.container == "AIFF":
        write_aiff_tags(part, texts)
    else:
        numbers: dict[str, float | int | None] = {
            stated: value if isinstance(value := measured.values[key], int | float) else None
            for key, stated in _STATED.items()
        }
        write_wave_tags(part, texts, numbers | {"time_reference_samples": time_reference(each)})


def _write_text(part: Path, text: str, folder: Path) -> None:
    try:
        with part.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written ({error.strerror or error})") from None
