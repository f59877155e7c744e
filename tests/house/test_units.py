"""The units, judged by systemd itself without being started: syntax, and what each still exposes."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from daemon.folders import Folders
from daemon.unit_dropins import DROP_IN, drop_ins
from shared.site import Bank, Line, Place, Site

ROOT = Path(__file__).resolve().parents[2]
UNITS = ROOT / "deploy" / "units"

# Highest exposure each unit may have. What a directive is worth is systemd's own weighing; a bare unit has 9.6.
# The service: no network, but devices. The sender: the other way round, and its servers have no fixed address.
EXPOSURE_MOST = {"halfmark.service": 0.4, "halfmark-send.service": 1.1}

TCP_SITE = Site(
    place=Place("Cold Fork Ridge", 37.284, -81.139),
    bank=Bank("agm", 24.0, 6, 0.5, 14.4, 13.7),
    lines={"a": Line("a", port="/dev/ttyAMA0"), "b": Line("b", tcp="192.0.2.10:502")},
)


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    tool = shutil.which("systemd-analyze")
    assert tool is not None, "systemd-analyze is missing; deploy/test.sh installs it (Debian package systemd)"
    return subprocess.run([tool, *arguments], capture_output=True, text=True, timeout=60)


def at_hand(folder: Path, name: str, *, drop_in: str | None = None) -> Path:
    """The unit as it will be, but with a program that exists here: verify looks for it."""
    text = (UNITS / name).read_text()
    assert text.count("ExecStart=/opt/halfmark/current/bin/halfmark ") == 1
    unit = folder / name
    unit.write_text(text.replace("/opt/halfmark/current/bin/halfmark", "/bin/true"))
    if drop_in is not None:
        (folder / DROP_IN).parent.mkdir()
        (folder / DROP_IN).write_text(drop_in)
    return unit


def settings(name: str) -> dict[str, list[str]]:
    pairs = re.findall(r"^(\w+)=(.*)$", (UNITS / name).read_text(), re.MULTILINE)
    return {key: [value for k, value in pairs if k == key] for key, _ in pairs}


@pytest.mark.parametrize("name", EXPOSURE_MOST)
def test_systemd_finds_nothing_wrong_with_the_unit(name: str, tmp_path: Path) -> None:
    done = analyze("verify", "--man=no", str(at_hand(tmp_path, name)))
    # It ends with 0 for a line it could not read, and only says so.
    complaints = [line for line in (done.stdout + done.stderr).splitlines() if name in line]
    assert complaints == []
    assert done.returncode == 0


def test_verify_would_tell_of_a_bad_line(tmp_path: Path) -> None:
    unit = at_hand(tmp_path, "halfmark.service")
    unit.write_text(unit.read_text().replace("UMask=0027", "UMask=men"))
    done = analyze("verify", "--man=no", str(unit))
    assert "halfmark.service" in done.stderr


@pytest.mark.parametrize(("name", "most"), EXPOSURE_MOST.items())
def test_the_unit_exposes_no_more_than_it_must(name: str, most: float, tmp_path: Path) -> None:
    # The threshold is ten times the score that is printed.
    done = analyze("security", "--offline=true", f"--threshold={most * 10:.0f}", "--no-pager", str(UNITS / name))
    score = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert score is not None, done.stdout + done.stderr
    print(f"{name}: {score[1]}")
    assert done.returncode == 0, f"{name} scores {score[1]}, may score {most}"
    assert float(score[1]) <= most


def test_the_drop_in_of_a_site_with_addresses_is_accepted_by_systemd(tmp_path: Path) -> None:
    unit = at_hand(tmp_path, "halfmark.service", drop_in=drop_ins(TCP_SITE)[DROP_IN])
    done = analyze("verify", "--man=no", str(unit))
    assert [line for line in (done.stdout + done.stderr).splitlines() if "halfmark" in line or "10-site" in line] == []


@pytest.mark.parametrize("name", EXPOSURE_MOST)
def test_the_unit_never_gives_up_and_waits_for_nothing(name: str) -> None:
    unit = settings(name)
    assert unit["Restart"] == ["always"]
    assert unit["StartLimitIntervalSec"] == ["0"]
    awaited = " ".join(value for key in ("After", "Wants", "Requires", "BindsTo") for value in unit.get(key, []))
    assert not re.search(r"network|time|\.device", awaited)


@pytest.mark.parametrize("name", EXPOSURE_MOST)
def test_a_new_site_file_is_taken_without_a_restart(name: str) -> None:
    assert settings(name)["ExecReload"] == ["/bin/kill -HUP $MAINPID"]


def test_only_the_sender_has_a_network_and_only_the_service_has_devices() -> None:
    run, send = settings("halfmark.service"), settings("halfmark-send.service")
    assert run["PrivateNetwork"] == ["yes"]
    assert run["RestrictAddressFamilies"] == ["AF_UNIX"]
    assert "PrivateNetwork" not in send
    assert send["PrivateDevices"] == ["yes"]
    assert "DeviceAllow" not in send


def test_the_operators_group_reads_the_record_and_no_one_else_does() -> None:
    run = settings("halfmark.service")
    assert run["Group"] == ["halfmark"]
    assert run["UMask"] == ["0027"]
    assert run["StateDirectoryMode"] == run["RuntimeDirectoryMode"] == ["0750"]
    assert "-/etc/halfmark/secrets" in run["InaccessiblePaths"]


def test_both_share_the_sockets_folder_and_only_the_service_writes_the_record() -> None:
    run, send = settings("halfmark.service"), settings("halfmark-send.service")
    for key in ("User", "Group", "UMask", "RuntimeDirectory", "RuntimeDirectoryMode", "RuntimeDirectoryPreserve"):
        assert run[key] == send[key], key
    # A folder that goes with one unit's stop would take the other's socket along, and what waits in there while the
    # card takes nothing: with the same user and group (and UMask=0027) either may read it.
    assert run["RuntimeDirectoryPreserve"] == ["yes"]
    assert run["RuntimeDirectory"] == ["halfmark"] and Folders.find(env={}).runtime == Path("/run/halfmark")
    assert (run["StateDirectory"], send["StateDirectory"]) == (["halfmark"], ["halfmark-send"])
    assert run["ProtectSystem"] == send["ProtectSystem"] == ["strict"]
    assert "ReadWritePaths" not in send


def test_the_watchdog_leaves_room_for_three_commits_and_a_slow_flush() -> None:
    # Three commit periods of 10 s and a flush of up to 60 s, which is a slow card's worst (engineering judgement).
    assert int(settings("halfmark.service")["WatchdogSec"][0]) >= 3 * 10 + 60
