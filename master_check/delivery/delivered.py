"""What was delivered of a master."""

from dataclasses import dataclass, field

from master_check.delivery.null import Null
from master_check.judgement.checked import Checked
from master_check.judgement.verdict import Overall, worst


@dataclass(frozen=True, slots=True)
class DeliveredFile(Checked):
    """A file that was written, measured again and judged by its profile.

    Attributes
    ----------
    profile : str
        What it was written for.
    trim_db : float
        By how much it was turned down.
    converted_from_hz : int or None
        The master's sample rate, where the file has another.
    dithered : bool
    added_s : (float, float)
        Silence added at the start and the end.
    null : Null
        What is left when the master is taken from it.
    audio_sha256 : str
        Of the sound alone.
    """

    profile: str = ""
    trim_db: float = 0.0
    converted_from_hz: int | None = None
    dithered: bool = False
    added_s: tuple[float, float] = (0.0, 0.0)
    null: Null = field(default_factory=lambda: Null(False, None, False))
    audio_sha256: str = ""

    @property
    def outcome(self) -> Overall:
        """The verdict; a file that is not what the master makes of it fails in any case."""
        return worst([self.result, "pass" if self.null.as_expected else "fail"])


@dataclass(frozen=True, slots=True)
class Delivered:
    """What was delivered of a master.

    Attributes
    ----------
    master : Checked
    master_audio_sha256 : str
        Of the master's sound alone.
    files : tuple of DeliveredFile
        One for each profile.
    manifest : str
        Path of the list.
    """

    master: Checked
    master_audio_sha256: str
    files: tuple[DeliveredFile, ...]
    manifest: str

    @property
    def result(self) -> Overall:
        return worst(file.outcome for file in self.files)
