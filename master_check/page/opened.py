"""A file that is open on the page: what is known of it so far, and its samples."""

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.judgement.verdict import judge
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure_kept
from master_check.measurement.store import Store
from master_check.page.pyramid import Pyramid, Waveform, of_curve
from master_check.sound.format import AudioError
from master_check.sound.kept import Kept
from master_check.tables.layouts import Layout

State = Literal["waiting", "measuring", "ready", "failed"]

SILENT_LUFS: Final = -120.0
"""Where a curve of loudness is drawn that has none; below every picture."""


@dataclass(slots=True, eq=False)
class Opened:
    """One file of the session.

    Attributes
    ----------
    number : int
        What the page calls it by.
    path : Path
        Where it is: as it was given, or in the session's folder.
    state : str
    share : float
        0 to 1: how much of it is measured.
    measurement : Measurement or None
    error : str or None
        What kept it from being measured, without its name.
    kept : Kept or None
        Its samples, to be heard and drawn.
    waveform, momentary, short_term : pyramids, or None
    """

    number: int
    path: Path
    state: State = "waiting"
    share: float = 0.0
    measurement: Measurement | None = None
    error: str | None = None
    kept: Kept | None = None
    waveform: Waveform | None = None
    momentary: Pyramid | None = None
    short_term: Pyramid | None = None
    _using: threading.Lock = field(default_factory=threading.Lock)

    @property
    def name(self) -> str:
        return self.path.name

    def checked(self, profiles: Sequence[Profile]) -> Checked:
        """Held against profiles, as `check` does; without verdicts while it is not measured."""
        if self.measurement is None:
            return Checked(str(self.path), error=self.error)
        return Checked(str(self.path), self.measurement, tuple(judge(self.measurement, each) for each in profiles))

    def measure(self, layout: Layout | None, origin: bool) -> None:
        """Measure it, and make it ready to be heard and drawn; what keeps it from that becomes its `error`."""
        with self._using:
            self.state, self.share = "measuring", 0.0
            try:
                measurement, kept = measure_kept(self.path, layout, progress=self._told, origin=origin)
                self._show(measurement, kept)
            except AudioError as error:
                self.state, self.error = "failed", error.problem
                return
            except Exception as error:  # nobody waits for this thread: what is not told here is never told
                self.state, self.error = "failed", f"could not be measured ({type(error).__name__}: {error})"
                return
        with Store() as store:  # so that an album of the same files is not measured again
            store.keep(measurement, layout, origin)

    def _told(self, share: float) -> None:
        self.share = min(1.0, self.share + share)

    def _show(self, measurement: Measurement, kept: Kept) -> None:
        series = measurement.series
        self.waveform = Waveform(kept)
        self.momentary = of_curve(series.momentary(), SILENT_LUFS)
        self.short_term = of_curve(series.short_term(), SILENT_LUFS)
        self.kept, before = kept, self.kept
        self.measurement = measurement
        self.state = "ready"
        if before is not None:
            before.close()

    def close(self) -> None:
        if self.kept is not None:
            self.kept.close()
