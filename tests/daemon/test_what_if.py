"""What more traffic would do, asked of the real service; and words that can't be read."""

import subprocess
import sys
from pathlib import Path

import pytest

from daemon.errors import ConfigError
from daemon.what_if import _hours, _times
from servers.site_rig import SiteRig


@pytest.mark.parametrize(("word", "times"), [("4x", 4.0), ("0.5", 0.5), ("1 X", 1.0)])
def test_traffic_is_times_the_usual(word: str, times: float) -> None:
    assert _times(word) == times


@pytest.mark.parametrize("word", ["", "x", "-1x", "101x", "4 times", "nan"])
def test_other_words_for_traffic_are_refused(word: str) -> None:
    with pytest.raises(ConfigError, match="such as 4x"):
        _times(word)


def test_until_is_a_time_of_day_at_the_site_or_a_length() -> None:
    picture = {"utc": "2026-11-25T20:30:00+00:00", "timezone": "America/New_York"}
    assert _hours("22:00", picture) == pytest.approx(6.5)  # 15:30 there, five hours behind in winter
    assert _hours("15:00", picture) == pytest.approx(23.5)
    assert _hours("6h", picture) == 6.0
    for word in ("25:00", "soon", "73h", "0h"):
        with pytest.raises(ConfigError, match=r"22:00"):
            _hours(word, picture)
    with pytest.raises(ConfigError, match="not trusted"):
        _hours("22:00", {"utc": None})


def test_the_service_answers_side_by_side(tmp_path: Path) -> None:
    with SiteRig(tmp_path / "site", more="[load.repeater]\nidle_a = 0.13\ntransmit_a = 1.6") as rig:
        service = rig.start()
        service.wait_until_reading()
        picture = service.wait_for(lambda p: p["lookahead"])
        assert len(picture["lookahead"]["likely"]) == 72
        command = [sys.executable, "-m", "daemon.main", "status", "--state", str(rig.folders.state)]
        done = subprocess.run(
            [*command, "--if-traffic", "4x", "--until", "12h"], capture_output=True, text=True, check=True
        )
        wrong = subprocess.run([*command, "--if-traffic", "lots"], capture_output=True, text=True, check=False)
        assert service.stop() == 0
    assert "4 times as much for 12.0 h" in done.stdout and "chance of it within 24 h" in done.stdout
    rows = {row[:26].strip(): row[26:].split() for row in done.stdout.splitlines()}
    usual, busy = rows["charge in 12 h, %"][2], rows["charge in 12 h, %"][7]
    assert int(busy) <= int(usual)
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert wrong.returncode == 2 and "such as 4x" in wrong.stderr
