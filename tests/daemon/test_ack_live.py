"""`ack` and `alerts` beside the real service: over the socket, onto the disk, into the picture, past a kill."""

import json
from pathlib import Path
from typing import Any

import pytest

from daemon.main import main
from servers.site_rig import RunningService, SiteRig

CAREFUL = """
[alert.below-half-mark]
raise = 0.02
clear = 0.01
dwell_s = 0
[alert.half-mark-ahead]
off = true
"""


def alerts(service: RunningService, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    capsys.readouterr()
    assert main(["alerts", "--json", "--state", str(service.folders.state)]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert isinstance(rows, list)
    return rows


def test_an_alert_is_taken_on_and_stays_so_after_a_kill(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with SiteRig(tmp_path / "site", more=CAREFUL) as rig:
        service = rig.start()
        service.wait_for(lambda picture: picture["alerts"])
        where = ["--state", str(service.folders.state)]
        assert main(["ack", "bank-hot", "--who", "Ann", *where]) == 1
        refused = capsys.readouterr().err
        assert 'no alert "bank-hot" stands; there is: ' in refused and "below-half-mark" in refused
        assert main(["ack", "below-half-mark", "--note", "going up on Sunday", "--who", "Ann", *where]) == 0
        assert "below-half-mark is acknowledged by Ann" in capsys.readouterr().out
        service.kill()  # it said that it was stored
        (row,) = alerts(service, capsys)
        assert row["stands"] is True
        assert [(ack["who"], ack["note"]) for ack in row["acknowledged"]] == [("Ann", "going up on Sunday")]
        again = rig.start()
        picture = again.wait_for(lambda picture: picture["alerts"])
        assert picture["timezone"] == "UTC"  # what the site file leaves out; history and alerts show times in it
        assert (picture["alerts"][0]["acked"]["who"], picture["alerts"][0]["acked"]["note"]) == (
            "Ann",
            "going up on Sunday",
        )
        assert again.stop() == 0
        assert [row["alert"] for row in alerts(again, capsys)].count("below-half-mark") == 1
    assert main(["ack", "below-half-mark", *where]) == 3
    assert "service is not running" in capsys.readouterr().err
