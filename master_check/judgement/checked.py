"""A file that was measured and judged, or what kept it from being so."""

from dataclasses import dataclass

from master_check.judgement.verdict import Verdict, worst
from master_check.measurement.measurement import Measurement


@dataclass(frozen=True, slots=True)
class Checked:
    """One file of a call: measured and judged, or what kept it from being so."""

    path: str
    measurement: Measurement | None = None
    verdicts: tuple[Verdict, ...] = ()
    error: str | None = None

    @property
    def result(self) -> str:
        return "error" if self.error is not None else worst(v.result for v in self.verdicts)
