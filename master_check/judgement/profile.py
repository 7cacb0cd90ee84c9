"""Delivery profiles: TOML files that say what a place takes. All faults of a file are found at once.

A profile is looked up by name in the working folder's `profiles/`, then in the user's configuration folder, then
among the shipped ones; or given by path. Nothing in one is law: the client's or broadcaster's own sheet goes first.
"""

import difflib
import math
import re
import reprlib
from pathlib import Path
from typing import Annotated, Any, Final, Literal, cast

import platformdirs
import tomli
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from master_check.tables.quantities import ALBUM_QUANTITIES, QUANTITIES
from master_check.text import visible

NAME: Final = "[a-z0-9][a-z0-9-]*"

Level = Literal["must", "should", "note"]
Number = Annotated[float, Field(allow_inf_nan=False)]
Line = Annotated[str, AfterValidator(lambda text: visible(" ".join(text.split())))]
"""Text for people: on one line, and with nothing in it that a terminal would obey."""


class ProfileError(Exception):
    """A profile that cannot be used. `faults` lists everything wrong with it, a line each."""

    def __init__(self, profile: str, faults: list[str]) -> None:
        super().__init__("\n".join(f"{profile}: {fault}" for fault in faults))
        self.profile = profile
        self.faults = faults

    @property
    def lines(self) -> list[str]:
        """One for every fault, with the profile it is in."""
        return [f"{self.profile}: {fault}" for fault in self.faults]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Range(_Model):
    """Where a quantity has to lie for a rule to apply."""

    measure: str = Field(description="A key of the table of quantities (`sendoff quantities`).")
    min: Number | None = None
    max: Number | None = None

    @model_validator(mode="after")
    def _complete(self) -> "Range":
        if self.measure not in QUANTITIES:
            raise ValueError(_unknown(self.measure, QUANTITIES))
        if self.min is None and self.max is None:
            raise ValueError("expected min, max or both")
        return self


class Rule(_Model):
    """One limit on one quantity: min, max, both, target with tolerance, or one_of."""

    measure: str = Field(description="A key of the table of quantities (`sendoff quantities`).")
    min: Number | None = Field(None, description="Smallest allowed value.")
    max: Number | None = Field(None, description="Largest allowed value.")
    target: Number | None = Field(None, description="Wanted value; needs tolerance.")
    tolerance: Number | None = Field(
        None,
        ge=0.0,
        description="How far from target a value may lie, or how far past min or max meters may disagree.",
    )
    one_of: list[Number | Line] | None = Field(None, min_length=1, description="The allowed values.")
    level: Level = Field("must", description="must: fails. should: warns. note: shown, never judged.")
    when: Range | None = Field(None, description="The rule applies only where another quantity lies in this range.")
    why: Line = Field("", description="The reason, for the one who reads the finding.")
    do: Line = Field("", description="What to do about it, in place of the usual advice.")
    source: Line = Field("common practice", description="Where the limit comes from.")

    @model_validator(mode="after")
    def _one_kind(self) -> "Rule":
        bounds = self.min is not None or self.max is not None
        if bounds + (self.target is not None) + (self.one_of is not None) != 1:
            raise ValueError("expected exactly one of: min and/or max; target with tolerance; one_of")
        if self.target is not None and self.tolerance is None:
            raise ValueError("target needs a tolerance")
        if self.tolerance is not None and self.one_of is not None:
            raise ValueError("tolerance goes with target, min or max, not with one_of")
        if self.min is not None and self.max is not None and self.min > self.max:
            raise ValueError(f"min {self.min:g} is above max {self.max:g}")
        return self


class FileRule(Rule):
    @model_validator(mode="after")
    def _known(self) -> "FileRule":
        _check_measure(self, QUANTITIES)
        return self


class AlbumRule(Rule):
    """A limit on a quantity of the whole album."""

    measure: str = Field(description="A key of the album's table of quantities (`sendoff quantities`).")

    @model_validator(mode="after")
    def _known(self) -> "AlbumRule":
        _check_measure(self, ALBUM_QUANTITIES)
        if self.when is not None:
            raise ValueError("an album rule has no `when`")
        return self


class Head(_Model):
    """The `[profile]` table."""

    name: str = Field(pattern=f"^{NAME}$", description="Lower-case letters, digits and hyphens.")
    title: Line = Field(min_length=1, description="One line for people.")
    source: Line = Field("common practice", description="The document the profile follows.")
    extends: str | None = Field(None, description="A profile whose rules are taken first and replaced by measure.")
    playback_lufs: Number | None = Field(None, description="Loudness at which the place plays a track or album.")
    max_gain_reduction_db: Number = Field(
        3.0,
        gt=0.0,
        description="Limiter work, 95th percentile, above which a plan calls the target too costly.",
    )


class Profile(_Model):
    """A delivery profile."""

    profile: Head
    rule: list[FileRule] = Field(default_factory=list)
    album_rule: list[AlbumRule] = Field(default_factory=list)

    @property
    def name(self) -> str:
        return self.profile.name

    def target_lufs(self) -> float | None:
        """The loudness to master for: the tightest target rule's, else the playback level, else None."""
        targets = [r for r in self.rule if r.measure == "integrated_lufs" and r.target is not None]
        if targets:
            return min(targets, key=lambda rule: rule.tolerance or 0.0).target
        return self.profile.playback_lufs

    def highest_peak_db(self) -> float:
        """The true peak to stay under, dBTP: the lowest maximum of a rule on true or sample peak; 0 without one.

        Rules that are only notes, or apply only sometimes, do not count. A sample is never above the true peak,
        so a limit on samples is kept by keeping it as a true-peak limit.
        """
        peaks = [r for r in self.rule if r.measure in ("true_peak_dbtp", "sample_peak_dbfs")]
        return min((r.max for r in peaks if r.max is not None and r.level != "note" and r.when is None), default=0.0)


def _check_measure(rule: Rule, quantities: dict[str, Any]) -> None:
    if rule.measure not in quantities:
        raise ValueError(_unknown(rule.measure, quantities))
    quantity = quantities[rule.measure]
    words = [value for value in rule.one_of or [] if isinstance(value, str)]
    if quantity.text and (rule.one_of is None or len(words) < len(rule.one_of)):
        raise ValueError(f"{rule.measure} is a word: expected one_of with words")
    if not quantity.text and words:
        raise ValueError(f"{rule.measure} is a number: one_of has {words[0]!r}")


def _unknown(key: str, quantities: dict[str, Any]) -> str:
    near = difflib.get_close_matches(key, quantities, n=1)
    hint = f", perhaps {near[0]}" if near else ""
    return f"no quantity is called {reprlib.repr(key)}{hint}; `sendoff quantities` lists them"


def shipped_folder() -> Path:
    """Where the shipped profiles are: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).parents[1]
    installed = package / "shipped_profiles"
    return installed if installed.is_dir() else package.parent / "profiles"


def user_folder() -> Path:
    """Where the engineer's own profiles are."""
    return Path(platformdirs.user_config_dir("sendoff", appauthor=False)) / "profiles"


def folders() -> list[Path]:
    """Where profiles are looked up, first wins."""
    return [Path("profiles"), user_folder(), shipped_folder()]


def available() -> dict[str, Path]:
    """Every profile that can be named, and its file."""
    found: dict[str, Path] = {}
    for folder in folders():
        if folder.is_dir():
            for path in sorted(folder.glob("*.toml")):
                found.setdefault(path.stem, path)
    return dict(sorted(found.items()))


def find(name: str) -> Path:
    """The file of a profile given by name or by path.

    Raises
    ------
    ProfileError
        There is none; the message names what there is.
    """
    if name.endswith(".toml") or "/" in name or "\\" in name:
        return Path(name)
    known = available()
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        hint = f", perhaps {near[0]}" if near else ""
        raise ProfileError(name, [f"no such profile{hint}; there are: {', '.join(known)}"])
    return known[name]


MAX_BYTES: Final = 1_000_000
MAX_DEPTH: Final = 20


def load_profile(name: str | Path) -> Profile:
    """Read, validate and complete a profile.

    Parameters
    ----------
    name : str or path
        A name to look up, or a path to a TOML file.

    Raises
    ------
    ProfileError
        It is not there, not TOML, or not a valid profile; `faults` lists everything wrong at once.
    """
    return _load(find(str(name)), ())


def _load(path: Path, above: tuple[Path, ...]) -> Profile:
    own = _validate(path, _parse(path))
    if own.profile.extends is None:
        return own
    if path.resolve() in above or len(above) > MAX_DEPTH:
        raise ProfileError(str(path), ["profile.extends: profiles extend each other in a circle or without end"])
    try:
        base = _load(find(own.profile.extends), (*above, path.resolve()))
    except ProfileError as error:
        raise ProfileError(str(path), [f"profile.extends: {fault}" for fault in error.faults]) from None
    return Profile(
        profile=_merge_head(base.profile, own.profile),
        rule=[*_kept(base.rule, own.rule), *own.rule],
        album_rule=[*_kept(base.album_rule, own.album_rule), *own.album_rule],
    )


def _kept(base: list[Any], own: list[Any]) -> list[Any]:
    replaced = {rule.measure for rule in own}
    return [rule for rule in base if rule.measure not in replaced]


def _merge_head(base: Head, own: Head) -> Head:
    return base.model_copy(update={key: getattr(own, key) for key in own.model_fields_set})


def _parse(path: Path) -> dict[str, Any]:
    try:
        if not path.is_file():
            raise ProfileError(str(path), ["no such file" if not path.exists() else "not a file"])
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
        if len(data) > MAX_BYTES:
            raise ProfileError(str(path), ["larger than 1 MB: not a profile"])
        return cast(dict[str, Any], _numbers_as_floats(tomli.loads(data.decode("utf-8"))))
    except UnicodeDecodeError as error:
        raise ProfileError(str(path), [f"not UTF-8 text (byte {error.start})"]) from None
    except RecursionError:
        raise ProfileError(str(path), ["nested too deeply"]) from None
    except tomli.TOMLDecodeError as error:
        raise ProfileError(str(path), [f"not TOML: {' '.join(str(error).split())}"]) from None
    except (OSError, ValueError) as error:
        raise ProfileError(str(path), [f"cannot be read ({getattr(error, 'strerror', None) or error})"]) from None


def _validate(path: Path, table: dict[str, Any]) -> Profile:
    try:
        return Profile.model_validate(table)
    except ValidationError as error:
        faults = dict.fromkeys(_fault(item, table) for item in error.errors(include_url=False))
        raise ProfileError(str(path), list(faults)) from None


def _numbers_as_floats(table: Any) -> Any:
    """TOML tells 1 from 1.0; a limit does not care."""
    if isinstance(table, dict):
        return {key: _numbers_as_floats(value) for key, value in table.items()}
    if isinstance(table, list):
        return [_numbers_as_floats(value) for value in table]
    if isinstance(table, int) and not isinstance(table, bool):
        return float(table) if abs(table) < 2**1000 else math.inf  # which no limit can be
    return table


_MESSAGES: Final = {
    "missing": "missing",
    "extra_forbidden": "not a key that profiles have",
    "string_pattern_mismatch": "expected lower-case letters, digits and hyphens",
    "too_short": "expected at least one value",
}


def _fault(item: Any, table: dict[str, Any]) -> str:
    """One pydantic error in a line: the key with its rule's number and measure, what was expected, what is there."""
    location = item["loc"]
    message = _MESSAGES.get(item["type"]) or item["msg"].removeprefix("Value error, ").replace("Input should", "should")
    if "one_of" in location[:-1]:  # pydantic says of every kind that it tried why it is not that
        location = location[: location.index("one_of") + 2]
        message = "expected a finite number or a word"
    key = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location).lstrip(".") or "file"
    if len(location) >= 2 and location[0] in ("rule", "album_rule") and isinstance(location[1], int):
        try:
            measure = table[location[0]][location[1]]["measure"]
            key += f" ({measure})" if isinstance(measure, str) and len(measure) < 60 else ""
        except (KeyError, IndexError, TypeError):
            pass
    there = item.get("input")
    shown = ""
    if isinstance(there, (str, int, float, bool)) and item["type"] != "value_error":
        shown = f"; there is {reprlib.repr(there)}"
    return f"{key}: {message}{shown}"


def copied(path: Path, name: str) -> str:
    """The text of a profile under a new name, comments and all.

    Raises
    ------
    ProfileError
        The profile has faults, or the name will not do.
    """
    profile = _validate(path, _parse(path))
    text = path.read_text(encoding="utf-8")
    renamed = re.sub(r'(?m)^(\s*name\s*=\s*)(["\']).*?\2', lambda m: f'{m[1]}"{name}"', text, count=1)
    if not re.fullmatch(NAME, name):
        raise ProfileError(name, ["a profile's name is lower-case letters, digits and hyphens"])
    return renamed if profile.name != name else text
