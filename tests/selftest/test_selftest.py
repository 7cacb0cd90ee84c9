"""The selftest finds what it is for: it passes here, and a meter that is off is caught."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from master_check.cli import cli
from master_check.meters import loudness
from master_check.selftest.published import CASES
from master_check.selftest.run import remembered, run


@pytest.fixture(autouse=True)
def own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SENDOFF_CACHE", str(tmp_path / "cache"))


def test_every_published_case_is_met_and_remembered_for_reports() -> None:
    assert remembered() == ""
    result = CliRunner().invoke(cli, ["selftest", "--quick", "--json"], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    outcomes = json.loads(result.stdout)["selftest"]
    assert len(outcomes) == len(CASES) + 1
    assert {outcome["result"] for outcome in outcomes} == {"pass"}
    assert remembered().startswith(f"all {len(outcomes)} cases met")


def test_a_meter_that_is_off_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loudness, "OFFSET", loudness.OFFSET + 0.15)
    first = next(iter(run((48_000,))))
    assert not first.passed
    assert first.read == pytest.approx(first.expected + 0.15, abs=0.02)
