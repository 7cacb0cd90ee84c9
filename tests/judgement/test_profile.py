"""Profiles: all faults of a file at once, each with its key; looking up, extending, copying."""

import hashlib
from pathlib import Path

import pytest

from master_check.judgement.profile import Profile, ProfileError
from master_check.judgement.profile_files import available, copied, find, load_profile, shipped_folder
from master_check.judgement.verdict import judge
from master_check.tables.quantities import ALBUM_QUANTITIES, RULE_QUANTITIES
from tests.signals import measured, noise, quantised, silence, sine

HEAD = '[profile]\nname = "ours"\ntitle = "Our house"\n'


@pytest.fixture(autouse=True)
def empty_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder and a configuration folder without profiles."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path


def rule(**keys: str) -> str:
    return "[[rule]]\n" + "".join(f"{key} = {text}\n" for key, text in keys.items())


def saved(text: str, name: str = "ours") -> Path:
    path = Path("profiles") / f"{name}.toml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def faults(text: str) -> list[str]:
    with pytest.raises(ProfileError) as caught:
        load_profile(saved(text))
    assert str(caught.value) == "\n".join(f"profiles/ours.toml: {fault}" for fault in caught.value.faults)
    return caught.value.faults


# Faults

WRONG = """
[profile]
name = "Our House"
titel = "x"
playback_lufs = inf

[[rule]]
measure = "true_peak_dbpt"
max = -1

[[rule]]
measure = "integrated_lufs"
target = -14

[[rule]]
measure = "sample_peak_dbfs"
max = "-1"
level = "maybe"

[[rule]]
measure = "plr_lu"
min = 3
max = 1

[[rule]]
max = 3

[[album_rule]]
measure = "integrated_lufs"
max = 2

[extra]
x = 1
"""


def test_all_faults_of_a_profile_come_at_once_each_with_its_key() -> None:
    assert faults(WRONG) == [
        "profile.name: expected lower-case letters, digits and hyphens; there is 'Our House'",
        "profile.title: missing",
        "profile.playback_lufs: expected a finite number; there is inf",
        "profile.titel: not a key that profiles have",
        "rule[1] (true_peak_dbpt): no quantity is called 'true_peak_dbpt', perhaps true_peak_dbtp; "
        "`sendoff quantities` lists them",
        "rule[2] (integrated_lufs): target needs a tolerance",
        "rule[3].max (sample_peak_dbfs): expected a number; there is '-1'",
        "rule[3].level (sample_peak_dbfs): expected must, should or note; there is 'maybe'",
        "rule[4] (plr_lu): min 3 is above max 1",
        "rule[5].measure: missing",
        "album_rule[1] (integrated_lufs): no quantity is called 'integrated_lufs', perhaps album_integrated_lufs; "
        "`sendoff quantities` lists them",
        "extra: not a key that profiles have",
    ]


@pytest.mark.parametrize(
    ("keys", "fault"),
    [
        (
            {"measure": '"channels"'},
            "(channels): expected exactly one of: min and/or max; ",
        ),
        ({"measure": '"channels"', "max": "2", "one_of": "[2]"}, "(channels): expected exactly one of"),
        ({"measure": '"plr_lu"', "target": "8", "tolerance": "1", "min": "3"}, "(plr_lu): expected exactly one of"),
        ({"measure": '"channels"', "one_of": "[2]", "tolerance": "1"}, "(channels): tolerance goes with target"),
        (
            {"measure": '"plr_lu"', "target": "8", "tolerance": "-1"},
            ".tolerance (plr_lu): expected 0 or more; ",
        ),
        ({"measure": '"channels"', "one_of": "[]"}, ".one_of (channels): expected a list of at least one value"),
        ({"measure": '"channels"', "one_of": '["two"]'}, "(channels): channels is a number: one_of has 'two'"),
        ({"measure": '"channels"', "one_of": "[true]"}, ".one_of[1] (channels): expected a finite number or a word"),
        ({"measure": '"layout"', "min": "3"}, "(layout): layout is a word: expected one_of with words"),
        ({"measure": '"layout"', "one_of": '["5.1", 3]'}, "(layout): layout is a word: expected one_of with words"),
        ({"measure": '"plr_lu"', "max": "nan"}, ".max (plr_lu): expected a finite number; there is nan"),
        ({"measure": '"plr_lu"', "max": "true"}, ".max (plr_lu): expected a number; there is True"),
        ({"measure": "3", "max": "1"}, ".measure: expected text; there is 3"),
        (
            {"measure": '"plr_lu"', "max": "1", "level": '"MUST"'},
            ".level (plr_lu): expected must, should or note; there is 'MUST'",
        ),
        (
            {"measure": '"plr_lu"', "max": "1", "when": '{ measure = "chanels", min = 1 }'},
            ".when (plr_lu): no quantity is called 'chanels', perhaps channels",
        ),
        (
            {"measure": '"plr_lu"', "max": "1", "when": '{ measure = "channels" }'},
            ".when (plr_lu): expected min, max or both",
        ),
    ],
    ids=lambda given: given[:40] if isinstance(given, str) else "",
)
def test_a_faulty_rule_is_told_in_one_line(keys: dict[str, str], fault: str) -> None:
    (found,) = faults(HEAD + rule(measure='"duration_s"', min="1") + rule(**keys))
    assert found.startswith("rule[2]" + ("" if fault.startswith(".") else " ") + fault)
    assert "\n" not in found


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", "profile: missing"),
        ("rule = 3\n" + HEAD, "rule: expected tables, each under its own [[rule]]"),
        ("[profile\n", "not TOML: "),
        ("[profile]\nname = 'a'\nname = 'b'\n", "not TOML: "),
        ("x = " + "[" * 100_000, "nested too deeply"),
        (HEAD.replace('"ours"', '""'), "profile.name: expected lower-case letters, digits and hyphens"),
        (HEAD.replace('"Our house"', '""'), "profile.title: "),
        (HEAD + "max_gain_reduction_db = 0\n", "profile.max_gain_reduction_db: expected more than 0; there is 0"),
        (
            HEAD + "[[album_rule]]\nmeasure = 'tracks'\nmax = 9\nwhen = { measure = 'channels', min = 1 }\n",
            "album_rule[1].when (tracks): not a key that profiles have",
        ),
        ("#" * 1_000_001, "larger than 1 MB"),
    ],
    ids=range(10),
)
def test_a_faulty_file_is_told_in_one_line(text: str, fault: str) -> None:
    (found,) = faults(text)
    assert found.startswith(fault)
    assert "\n" not in found


def test_what_is_no_text_and_no_file() -> None:
    path = saved(HEAD)
    path.write_bytes(b"[profile]\nname = '\xff'\n")
    with pytest.raises(ProfileError, match=r"^profiles/ours\.toml: not UTF-8 text \(byte 18\)$"):
        load_profile(path)
    with pytest.raises(ProfileError, match=r"^profiles/theirs\.toml: no such file$"):
        load_profile(Path("profiles/theirs.toml"))
    Path("folder.toml").mkdir()
    with pytest.raises(ProfileError, match=r"^folder\.toml: not a file$"):
        load_profile("folder.toml")


def test_an_unknown_name_is_told_what_there_is() -> None:
    with pytest.raises(ProfileError) as caught:
        load_profile("streeming")
    (fault,) = caught.value.faults
    assert fault.startswith("no such profile, perhaps streaming; there are: broadcast-a85, broadcast-r128, ")


# Looking up


def test_the_working_folder_goes_first_then_the_users_then_the_shipped(empty_folders: Path) -> None:
    assert find("cd") == shipped_folder() / "cd.toml"
    own = empty_folders / "config" / "sendoff" / "profiles" / "cd.toml"
    own.parent.mkdir(parents=True)
    own.write_text(HEAD)
    assert find("cd") == own
    assert find("cd") == available()["cd"]
    assert find(str(saved(HEAD, "cd"))) == Path("profiles/cd.toml")
    assert find("cd") == Path("profiles/cd.toml")


def test_every_shipped_profile_is_valid_and_named_as_its_file() -> None:
    names = {path.stem for path in shipped_folder().glob("*.toml")}
    assert names >= {
        "streaming",
        "streaming-quiet",
        "broadcast-r128",
        "broadcast-r128-short",
        "broadcast-a85",
        "cd",
        "premaster",
        "podcast",
    }
    for name in names:
        profile = load_profile(name)
        assert profile.name == name
        assert profile.rules
        for own in (*profile.rules, *profile.album_rules):
            assert own.measure in RULE_QUANTITIES | ALBUM_QUANTITIES
            assert own.source
            assert own.why or own.level == "note", (name, own.measure)


def limits(name: str, measure: str, level: str = "must") -> list[tuple[float | None, ...]]:
    found = [r for r in load_profile(name).rules if r.measure == measure and r.level == level and r.when is None]
    return [(r.min, r.max, r.target, r.tolerance) for r in found]


@pytest.mark.parametrize(
    ("name", "measure", "level", "limit"),
    [  # standards.md, "Delivery targets": EBU R 128, R 128 s1, ATSC A/85 (memory), AES TD1008
        ("broadcast-r128", "integrated_lufs", "must", (None, None, -23.0, 1.0)),
        ("broadcast-r128", "integrated_lufs", "should", (None, None, -23.0, 0.2)),
        ("broadcast-r128", "true_peak_dbtp", "must", (None, -1.0, None, 0.3)),
        ("broadcast-r128-short", "integrated_lufs", "must", (None, None, -23.0, 1.0)),
        ("broadcast-r128-short", "short_term_max_lufs", "must", (None, -18.0, None, None)),
        ("broadcast-a85", "integrated_lufs", "must", (None, None, -24.0, 2.0)),
        ("broadcast-a85", "true_peak_dbtp", "must", (None, -2.0, None, None)),
    ],
)
def test_shipped_limits_are_the_published_ones(
    name: str, measure: str, level: str, limit: tuple[float | None, ...]
) -> None:
    assert limit[:3] in [found[:3] for found in limits(name, measure, level)]


def test_the_cd_takes_what_the_red_book_takes() -> None:
    """IEC 60908: 44.1 kHz, 16 bit, two channels."""
    one_of = {r.measure: r.one_of for r in load_profile("cd").rules if r.level == "must" and r.one_of}
    assert one_of["sample_rate_hz"] == (44_100.0,)
    assert one_of["bit_depth"] == (16.0,)
    assert one_of["channels"] == (2.0,)


# Extending


def test_a_profile_takes_anothers_rules_and_replaces_them_by_measure() -> None:
    base = HEAD.replace("ours", "base") + 'source = "theirs"\nplayback_lufs = -14\n'
    base += rule(measure='"integrated_lufs"', min="-16") + rule(measure='"integrated_lufs"', max="-8")
    base += rule(measure='"true_peak_dbtp"', max="-1") + "[[album_rule]]\nmeasure = 'tracks'\nmax = 9\n"
    saved(base, "base")
    saved(HEAD + 'extends = "base"\n' + rule(measure='"integrated_lufs"', max="-9") + rule(measure='"plr_lu"', min="8"))
    found = load_profile("ours")
    assert [(r.measure, r.min, r.max) for r in found.rules] == [
        ("true_peak_dbtp", None, -1.0),
        ("integrated_lufs", None, -9.0),
        ("plr_lu", 8.0, None),
    ]
    assert [r.measure for r in found.album_rules] == ["tracks"]
    assert (found.name, found.title, found.source, found.playback_lufs) == ("ours", "Our house", "theirs", -14.0)


def test_a_chain_of_three_and_a_shipped_base() -> None:
    saved(
        HEAD.replace("ours", "second") + 'extends = "streaming"\n' + rule(measure='"true_peak_dbtp"', max="-2"),
        "second",
    )
    saved(HEAD + 'extends = "second"\n')
    found = load_profile("ours")
    assert found.playback_lufs == load_profile("streaming").playback_lufs
    assert [(r.max, r.tolerance) for r in found.rules if r.measure == "true_peak_dbtp"] == [(-2.0, None)]
    assert {r.measure for r in found.rules} == {r.measure for r in load_profile("streaming").rules}


def test_a_profile_that_takes_the_name_of_its_base_takes_the_shipped_one_by_path() -> None:
    saved(HEAD.replace("ours", "cd") + f'extends = "{shipped_folder() / "cd.toml"}"\n', "cd")
    assert load_profile("cd").rules == load_profile(shipped_folder() / "cd.toml").rules


@pytest.mark.parametrize("names", [["ours"], ["ours", "second"], ["ours", "second", "third"]])
def test_a_circle_is_told_and_does_not_hang(names: list[str]) -> None:
    for name, base in zip(names, [*names[1:], names[0]], strict=True):
        saved(HEAD.replace("ours", name) + f'extends = "{base}"\n', name)
    with pytest.raises(ProfileError, match="profiles extend each other in a circle"):
        load_profile("ours")


def test_faults_of_the_base_name_the_base_key() -> None:
    saved(HEAD.replace("ours", "base") + rule(measure='"plr"', min="1"), "base")
    (fault,) = faults(HEAD + 'extends = "base"\n')
    assert fault.startswith("profile.extends: profiles/base.toml: rule[1] (plr): no quantity is called 'plr', perhaps ")
    (fault,) = faults(HEAD + 'extends = "bass"\n')
    assert fault.startswith("profile.extends: bass: no such profile, perhaps base")


def test_a_path_leads_from_the_folder_of_its_own_file() -> None:
    folder = Path("clients/plant")
    folder.mkdir(parents=True)
    (folder / "sheet.toml").write_text(HEAD + 'extends = "../house.toml"\n')
    Path("clients/house.toml").write_text(HEAD + 'extends = "./plant/cd.toml"\n' + rule(measure='"plr_lu"', min="8"))
    (folder / "cd.toml").write_text(HEAD + rule(measure='"channels"', one_of="[2]"))
    found = load_profile(folder / "sheet.toml")
    assert [r.measure for r in found.rules] == ["channels", "plr_lu"]
    # A copy in another folder still takes the same rules.
    copy = saved(copied(folder / "sheet.toml", "copy"), "copy")
    assert load_profile(copy).rules == found.rules


def test_a_profile_may_extend_the_one_that_its_name_hides(empty_folders: Path) -> None:
    shipped = load_profile(shipped_folder() / "cd.toml")
    users = empty_folders / "config" / "sendoff" / "profiles" / "cd.toml"
    users.parent.mkdir(parents=True)
    users.write_text(HEAD.replace("ours", "cd") + 'extends = "cd"\n' + rule(measure='"plr_lu"', min="8"))
    here = saved(HEAD.replace("ours", "cd") + 'extends = "cd"\n' + rule(measure='"crest_db"', min="9"), "cd")
    found = load_profile("cd")
    assert [r.measure for r in found.rules] == [*(r.measure for r in shipped.rules), "plr_lu", "crest_db"]
    assert [file.path for file in (found.file, *found.bases) if file] == [
        str(here),
        str(users),
        str(shipped_folder() / "cd.toml"),
        str(shipped_folder() / "metadata.toml"),
    ]
    # Through another one too: ours extends cd, which extends the shipped cd.
    users.write_text(HEAD + 'extends = "ours"\n')
    saved(HEAD + 'extends = "cd"\n', "ours")
    assert load_profile("cd").album_rules == shipped.album_rules


def test_a_profile_knows_its_files_and_their_checksums() -> None:
    own, base = saved(HEAD + 'extends = "base"\n'), saved(HEAD.replace("ours", "base"), "base")
    found = load_profile("ours")
    files = [found.file, *found.bases]
    assert [(file.path, file.sha256, file.shipped) for file in files if file] == [
        (str(path), hashlib.sha256(path.read_bytes()).hexdigest(), False) for path in (own, base)
    ]
    cd = load_profile("cd").file
    assert cd is not None and cd.shipped and cd.path == str(shipped_folder() / "cd.toml")
    verdict = judge(measured(silence(1.0)), found)
    assert (verdict.file, verdict.bases) == (found.file, found.bases)


# How it is written


def test_a_byte_order_mark_is_read_and_not_copied() -> None:
    path = saved("\ufeff" + HEAD)
    assert load_profile(path).name == "ours"
    assert copied(path, "theirs") == HEAD.replace("ours", "theirs")


def test_a_note_needs_no_limit() -> None:
    noted = load_profile(saved(HEAD + rule(measure='"loudness_range_lu"', level='"note"', why='"for the file"')))
    assert [(r.min, r.max, r.target, r.one_of) for r in noted.rules] == [(None, None, None, None)]
    (finding,) = judge(measured(sine(1.0)), noted).findings
    assert (finding.result, finding.limit, finding.wanted) == ("skip", "", "no limit")
    for level in ("must", "should"):
        (fault,) = faults(HEAD + rule(measure='"loudness_range_lu"', level=f'"{level}"'))
        assert "expected exactly one of" in fault
    (fault,) = faults(HEAD + rule(measure='"plr_lu"', level='"note"', tolerance="1"))
    assert fault == "rule[1] (plr_lu): tolerance goes with target, min or max"
    assert load_profile(saved(HEAD + rule(measure='"layout"', level='"note"'))).rules


@pytest.mark.parametrize(("count", "lines"), [(20, 20), (21, 21), (33, 21)])
def test_twenty_faults_are_told_and_the_rest_counted(count: int, lines: int) -> None:
    saved(HEAD + rule(measure='"plr_lu"') * count)
    with pytest.raises(ProfileError) as caught:
        load_profile("ours")
    assert len(caught.value.faults) == count
    told = str(caught.value).splitlines()
    assert len(told) == lines
    if count > 20:
        assert told[-1] == f"profiles/ours.toml: and {count - 20} more fault{'s' * (count > 21)}"


# Nothing in the file


@pytest.mark.parametrize("name", sorted({path.stem for path in shipped_folder().glob("*.toml")} - {"metadata"}))
@pytest.mark.parametrize(("seconds", "peak"), [(0.1, 0), (0.5, 0), (5.0, 0), (5.0, 1)])
def test_a_file_with_nothing_in_it_fails_every_shipped_profile_on_sound(name: str, seconds: float, peak: int) -> None:
    """Zeros, or the last bit of 16 flickering (dither, at -90 dBFS: IEC 60908), in the format that each takes."""
    profile = load_profile(name)
    rate = {r.measure: r.one_of for r in profile.rules}.get("sample_rate_hz") or [44_100.0]
    frames = silence(seconds, 2, int(rate[0])) if not peak else quantised(noise(seconds, -96.3, 2, int(rate[0])), 16)
    found = judge(measured(frames, int(rate[0]), bits=16 if name == "cd" else 24), profile)
    failed = [finding for finding in found.findings if finding.result == "fail"]
    assert found.result == "fail"
    # For the right reason, whatever else is wrong with so short a file.
    assert {finding.measure for finding in failed} & {"integrated_lufs", "sample_peak_dbfs"}
    assert not any(finding.limit.startswith("<=") for finding in failed)


# What a plan aims at


def profile_of(*rules: str, head: str = "") -> Profile:
    return load_profile(saved(HEAD + head + "".join(rules)))


def test_the_target_is_the_tightest_rules_else_the_playback_level() -> None:
    loose = rule(measure='"integrated_lufs"', target="-23", tolerance="1")
    tight = rule(measure='"integrated_lufs"', target="-22.9", tolerance="0.2")
    assert profile_of(loose, tight).target_lufs() == -22.9
    assert profile_of(tight, loose).target_lufs() == -22.9
    assert profile_of(head="playback_lufs = -14\n").target_lufs() == -14.0
    assert profile_of().target_lufs() is None


def test_the_highest_peak_is_the_lowest_limit_that_always_counts() -> None:
    true = rule(measure='"true_peak_dbtp"', max="-1")
    sample = rule(measure='"sample_peak_dbfs"', max="-3", level='"should"')
    note = rule(measure='"true_peak_dbtp"', max="-6", level='"note"')
    sometimes = rule(measure='"true_peak_dbtp"', max="-9", when='{ measure = "channels", min = 1 }')
    assert profile_of(true, sample, note, sometimes).highest_peak_db() == -3.0
    assert profile_of(true).highest_peak_db() == -1.0
    assert profile_of().highest_peak_db() == 0.0


# Copying


def test_a_copy_keeps_every_word_but_the_name() -> None:
    original = (shipped_folder() / "cd.toml").read_text(encoding="utf-8")
    text = copied(shipped_folder() / "cd.toml", "our-plant")
    assert text == original.replace('name = "cd"', 'name = "our-plant"')
    assert load_profile(saved(text, "our-plant")).name == "our-plant"
    with pytest.raises(ProfileError, match="a profile's name is lower-case letters, digits and hyphens"):
        copied(shipped_folder() / "cd.toml", "Our Plant")


def test_what_cannot_be_rewritten_is_not_copied() -> None:
    inline = saved('profile = { name = "ours", title = "Our house" }\n')
    with pytest.raises(ProfileError, match=r"^profiles/ours\.toml: its name .* cannot be rewritten; copy the file"):
        copied(inline, "theirs")
    assert copied(inline, "ours") == inline.read_text()
