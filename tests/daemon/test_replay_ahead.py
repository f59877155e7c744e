"""Replay's lookahead, and other rules tried on the same readings."""

import csv
import io
import json
from itertools import pairwise
from pathlib import Path

import pytest
from attrs import evolve

from daemon.main import main
from daemon.replay import AHEAD_HEAD, ReplayFiles, run_replay
from drivers.virtual.site import SitePlan, VirtualSite

START_UTC_S = 1_790_000_000.0
DAYS = 3
BANK = """
[site]
name = "Test Ridge"
latitude = 37.3
longitude = -81.1
panel_w = 30
[bank]
chemistry = "agm"
capacity_ah = 24
cells = 6
absorb_v = 14.4
float_v = 13.7
charge_v_per_k = -0.024
"""
COLUMNS = ("bank_v", "bank_a", "bank_ah_counter", "bank_c", "panel_w", "charge_a", "controller_c")


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three days of the simulated site without its panel, a row a minute: the bank falls past its half mark."""
    site = VirtualSite(seed=3, start_utc_s=START_UTC_S, plan=SitePlan(start_soc=0.85))
    site.impose("no-panel")
    path = tmp_path_factory.mktemp("readings") / "in.csv"
    with path.open("w", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(("time_s", *COLUMNS))
        for _ in range(DAYS * 1440):
            site.advance(60.0)
            seen = site.observe()
            values = {**seen["controller"], **seen["shunt"]}
            writer.writerow((f"{site.utc_s:.0f}", *("" if values[q] is None else values[q] for q in COLUMNS)))
    return path


@pytest.fixture
def files(tmp_path: Path, readings: Path) -> ReplayFiles:
    (tmp_path / "site.toml").write_text(BANK)
    names = ("estimates.csv", "events.jsonl", "ahead.csv")
    return ReplayFiles(tmp_path / "site.toml", readings, *(tmp_path / name for name in names))


def alerts(path: Path, state: str = "raised") -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for row in map(json.loads, path.read_text().splitlines()):
        if row["state"] == state:
            found.setdefault(row["alert"], []).append(row["time_s"])
    return found


def test_the_reserve_to_come_is_written_each_hour_for_three_days(files: ReplayFiles) -> None:
    assert run_replay(files, start_soc=0.85, err=io.StringIO()) == 0
    assert files.ahead is not None
    head, *lines = files.ahead.read_text().splitlines(keepends=True)
    assert head == AHEAD_HEAD == "time_s,ahead_h,low,likely,high\n"
    rows = [[float(cell) for cell in line.split(",")] for line in lines]
    made = sorted({row[0] for row in rows})
    assert len(rows) == 72 * len(made) and 60 <= len(made) <= 24 * DAYS
    assert all(600.0 < later - earlier < 7300.0 for earlier, later in pairwise(made))
    assert made[0] >= START_UTC_S and made[-1] <= START_UTC_S + DAYS * 86_400.0
    assert all(0.0 <= low <= likely <= high <= 1.0 for _, _, low, likely, high in rows)


def test_the_warning_comes_hours_before_the_half_mark(files: ReplayFiles) -> None:
    run_replay(files, start_soc=0.85, err=io.StringIO())
    raised = alerts(files.events)
    lead_h = (raised["below-half-mark"][0] - raised["half-mark-ahead"][0]) / 3600.0
    assert lead_h > 6.0


def test_other_rules_are_held_against_the_sites_own(
    files: ReplayFiles, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rules = tmp_path / "rules.toml"
    rules.write_text("[alert.half-mark-ahead]\noff = true\n[alert.below-half-mark]\nraise = 0.6\nclear = 0.3\n")
    out = io.StringIO()
    changed = evolve(files, rules=rules)
    assert run_replay(changed, start_soc=0.85, compare=True, out=out, err=io.StringIO()) == 0
    assert set(alerts(files.events)) >= {"below-half-mark"}
    assert "half-mark-ahead" not in alerts(files.events)
    row = next(line.split() for line in out.getvalue().splitlines() if line.startswith("half-mark-ahead"))
    assert int(row[1]) >= 1 and float(row[2]) > 6.0 and row[4:] == ["0", "0.0", "0"]
    written = files.estimates.read_text()
    run_replay(evolve(files, rules=None), start_soc=0.85, err=io.StringIO())
    assert files.estimates.read_text() == written, "rules change no estimate"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[bank]\nchemistry = 'agm'\n", "only [alert.RULE] tables may be in a file of rules"),
        ("[alert.half-mark-ahed]\nraise = 0.4\n", "half-mark-ahead"),
        ("[alert.half-mark-ahead]\nraise = 4\nclear = 0.1\n", "0.01 to 0.99"),
        ("[alert", "rules.toml"),
    ],
)
def test_what_is_wrong_in_a_file_of_rules_is_said(
    files: ReplayFiles, tmp_path: Path, text: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    rules = tmp_path / "rules.toml"
    rules.write_text(text)
    words_of = ("--site", files.site, "--readings", files.readings, "--estimates", files.estimates)
    asked = [str(word) for word in (*words_of, "--events", files.events, "--rules", rules)]
    assert main(["replay", *asked]) == 2
    assert words in capsys.readouterr().err
    assert not files.estimates.exists()


def test_comparing_needs_rules(files: ReplayFiles, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--site", files.site, "--readings", files.readings, "--estimates", files.estimates)
    assert main(["replay", *map(str, words), "--events", str(files.events), "--compare"]) == 2
    assert "needs --rules" in capsys.readouterr().err
