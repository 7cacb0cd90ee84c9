"""sendoff: the last check before a record leaves the room.

Everything the command line does can be called from here:

    >>> import master_check
    >>> measurement, (verdict,) = master_check.check("master.wav", "streaming")  # doctest: +SKIP
    >>> comparison = master_check.compare("mix.wav", "master.wav")  # doctest: +SKIP
    >>> planned = master_check.plan("mix.wav", "streaming")  # doctest: +SKIP
    >>> rehearsed = master_check.rehearse("master.wav", "streaming")  # doctest: +SKIP
    >>> delivered = master_check.deliver("master.wav", ["cd", "streaming"], "out/")  # doctest: +SKIP
    >>> sheet = master_check.stems("stems/", mix="mix.wav", rough="rough.mp3")  # doctest: +SKIP
    >>> found = master_check.album("masters/", ["streaming", "cd"])  # doctest: +SKIP
    >>> vault = master_check.catalogue("/vault", "vault.parquet", "streaming")  # doctest: +SKIP

Nothing is imported before it is used, so that `sendoff --help` answers at once.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from master_check.albums.album import Album, Track, album
    from master_check.albums.tracks import AlbumError
    from master_check.alignment.align import PairError
    from master_check.catalogues.contents import BrokenRule, Catalogued, CatalogueFile, query_catalogue, read_catalogue
    from master_check.catalogues.errors import CatalogueError
    from master_check.catalogues.run import CatalogueProgress, catalogue
    from master_check.delivery.deliver import deliver
    from master_check.delivery.delivered import Delivered
    from master_check.delivery.manifest import Verified, verify
    from master_check.delivery.order import DeliveryError
    from master_check.judgement.checked import Checked, check, check_files
    from master_check.judgement.profile import Profile, ProfileError, ProfileFile, Rehearsal, Rule
    from master_check.judgement.profile_files import load_profile
    from master_check.judgement.tags import TagField, TaggedFile, tags
    from master_check.judgement.verdict import Finding, Verdict, judge
    from master_check.limiting.clipper import ClipLimit
    from master_check.limiting.plan import Plan
    from master_check.limiting.premaster import PlanError, PremasterPlan, plan
    from master_check.measurement.measurement import Measurement, Series
    from master_check.measurement.one_pass import measure
    from master_check.pair.comparison import Comparison, compare
    from master_check.rehearsal.errors import RehearsalError
    from master_check.rehearsal.rehearse import Rehearsed, rehearse
    from master_check.sound.format import AudioError, AudioFormat
    from master_check.sound.source import ArraySource, Source
    from master_check.stem.files import StemsError
    from master_check.stem.sheet import Stems, stems
    from master_check.tables.layouts import Layout
    from master_check.tables.quantities import ALBUM_QUANTITIES, QUANTITIES, REHEARSAL_QUANTITIES, Quantity

_HOMES = {
    "albums.album": ("Album", "Track", "album"),
    "albums.tracks": ("AlbumError",),
    "catalogues.contents": ("BrokenRule", "Catalogued", "CatalogueFile", "query_catalogue", "read_catalogue"),
    "catalogues.errors": ("CatalogueError",),
    "catalogues.run": ("CatalogueProgress", "catalogue"),
    "delivery.deliver": ("deliver",),
    "delivery.delivered": ("Delivered",),
    "delivery.manifest": ("Verified", "verify"),
    "delivery.order": ("DeliveryError",),
    "judgement.checked": ("Checked", "check", "check_files"),
    "judgement.profile": ("Profile", "ProfileError", "ProfileFile", "Rehearsal", "Rule"),
    "judgement.profile_files": ("load_profile",),
    "judgement.tags": ("TagField", "TaggedFile", "tags"),
    "judgement.verdict": ("Finding", "Verdict", "judge"),
    "limiting.clipper": ("ClipLimit",),
    "limiting.plan": ("Plan",),
    "limiting.premaster": ("PlanError", "PremasterPlan", "plan"),
    "measurement.measurement": ("Measurement", "Series"),
    "measurement.one_pass": ("measure",),
    "alignment.align": ("PairError",),
    "pair.comparison": ("Comparison", "compare"),
    "rehearsal.errors": ("RehearsalError",),
    "rehearsal.rehearse": ("Rehearsed", "rehearse"),
    "sound.format": ("AudioError", "AudioFormat"),
    "sound.source": ("ArraySource", "Source"),
    "stem.files": ("StemsError",),
    "stem.sheet": ("Stems", "stems"),
    "tables.layouts": ("Layout",),
    "tables.quantities": ("ALBUM_QUANTITIES", "QUANTITIES", "REHEARSAL_QUANTITIES", "Quantity"),
}

__all__ = [
    "ALBUM_QUANTITIES",
    "QUANTITIES",
    "REHEARSAL_QUANTITIES",
    "Album",
    "AlbumError",
    "ArraySource",
    "AudioError",
    "AudioFormat",
    "BrokenRule",
    "CatalogueError",
    "CatalogueFile",
    "CatalogueProgress",
    "Catalogued",
    "Checked",
    "ClipLimit",
    "Comparison",
    "Delivered",
    "DeliveryError",
    "Finding",
    "Layout",
    "Measurement",
    "PairError",
    "Plan",
    "PlanError",
    "PremasterPlan",
    "Profile",
    "ProfileError",
    "ProfileFile",
    "Quantity",
    "Rehearsal",
    "RehearsalError",
    "Rehearsed",
    "Rule",
    "Series",
    "Source",
    "Stems",
    "StemsError",
    "TagField",
    "TaggedFile",
    "Track",
    "Verdict",
    "Verified",
    "album",
    "catalogue",
    "check",
    "check_files",
    "compare",
    "deliver",
    "judge",
    "load_profile",
    "measure",
    "plan",
    "query_catalogue",
    "read_catalogue",
    "rehearse",
    "stems",
    "tags",
    "verify",
]


def __getattr__(name: str) -> Any:
    for home, names in _HOMES.items():
        if name in names:
            found = getattr(import_module(f"master_check.{home}"), name)
            globals()[name] = found
            return found
    raise AttributeError(f"module 'master_check' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
