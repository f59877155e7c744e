"""Cloudiness from a file: taken when it is fresh and makes sense, left alone when not."""

import os
from pathlib import Path

import pytest

from daemon.cloud_file import CloudFile, cloudiness


def test_one_number_a_line_today_first() -> None:
    assert cloudiness("0.1\n-\n 1 \n0\n") == (0.1, None, 1.0, 0.0)
    assert len(cloudiness("0.5\n" * 30)) == 7


@pytest.mark.parametrize("text", ["", "\n", "1.1\n", "-0.1\n", "nan\n", "cloudy\n", "0,5\n"])
def test_what_makes_no_sense_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="0|empty"):
        cloudiness(text)


def test_a_file_that_is_missing_strange_or_old_counts_as_none(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "clouds"
    clouds = CloudFile(path, wall_s=lambda: 1_790_000_000.0)
    assert clouds.days(0.0) == ()
    path.write_bytes(b"\xff\n")
    assert clouds.days(1.0) == ()
    path.write_text("0.9\n0.8\n")
    os.utime(path, (1_789_000_000.0, 1_789_000_000.0))
    assert clouds.days(2.0) == ()
    os.utime(path, (1_789_990_000.0, 1_789_990_000.0))
    assert clouds.days(3.0) == (0.9, 0.8)
    assert len(caplog.messages) == 1, "a lasting trouble is told once"
