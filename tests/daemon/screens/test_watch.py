"""`watch` on real pseudo-terminals: what is seen, what keys do, and that every ending gives the terminal back."""

import shlex
import signal
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any, cast

import pytest

from daemon.picture import Picture
from daemon.record import Batch, Record
from servers.picture_socket import PictureSocket
from servers.screen_rig import ScreenRig, watch_command

HOSTILE = "Ridge\x1b]0;owned\x07\x1b[2J\r\n\u202e\x9b31m"


class Site:
    """A picture that the test may change while it is looked at."""

    def __init__(self, picture: Picture) -> None:
        self.picture = cast(dict[str, Any], picture)

    def __call__(self) -> dict[str, Any]:
        return deepcopy(self.picture)


@pytest.fixture
def site(full: Picture) -> Site:
    return Site(full)


@pytest.fixture
def folder(tmp_path: Path, site: Site) -> Path:
    """A state folder with a record in which the last words lie."""
    record = Record.open(tmp_path, boot_id="0" * 32, elapsed_s=0.0, wall_utc_s=1.79e9)
    record.commit(Batch(state={"picture": site()}, until_s=269_000.0))
    record.close()
    return tmp_path


@pytest.fixture
def service(folder: Path, site: Site) -> Iterator[PictureSocket]:
    with PictureSocket(folder / "sockets", site) as service:
        yield service


def is_given_back(rig: ScreenRig) -> None:
    assert rig.modes_now == rig.modes_before
    assert not rig.shown.other_screen
    assert rig.shown.cursor_shown
    assert rig.shown.wraps


# -- sizes and looks ---------------------------------------------------------------------------


@pytest.mark.parametrize("columns, rows", [(80, 24), (40, 24), (20, 5), (120, 40)])
def test_it_fits_and_leaves_clean_at_every_size(folder: Path, service: PictureSocket, columns: int, rows: int) -> None:
    with ScreenRig(watch_command(folder), columns=columns, rows=rows) as rig:
        rig.until_text("62")
        assert rig.shown.other_screen
        assert "all well" in " ".join(rig.shown.text.split()) or columns < 80
        rig.type("\t\t\t?")
        rig.until_text("Keys" if columns > 20 else "read")
        rig.type("q")
        assert rig.until_ended() == 0
        assert not rig.shown.scrolled
        assert not rig.shown.past_edge
        is_given_back(rig)
        assert rig.shown.plain_output == ""


@pytest.mark.parametrize(
    "more, env, ascii_only, colour",
    [
        ("", {}, False, True),
        ("", {"NO_COLOR": "1"}, False, False),
        (", plain=True", {}, True, False),
        ("", {"LC_ALL": "POSIX", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}, True, True),
        ("", {"TERM": "linux"}, True, True),
    ],
)
def test_signs_and_colour_are_what_the_terminal_can_show(
    folder: Path, service: PictureSocket, more: str, env: dict[str, str], ascii_only: bool, colour: bool
) -> None:
    with ScreenRig(watch_command(folder, more=more), env=env) as rig:
        rig.until_text("none stands")
        assert rig.shown.text.isascii() == ascii_only
        assert bool(rig.shown.tones - {""}) == colour


def test_names_cannot_take_the_terminal_over(folder: Path, service: PictureSocket, site: Site) -> None:
    site.picture["site"] = HOSTILE
    site.picture["instruments"] = {HOSTILE: site.picture["instruments"]["shunt"]}
    site.picture["lines"] = {HOSTILE: {"up": False, "port": HOSTILE, "why": HOSTILE, "down_s": 1.0}}
    site.picture["service"]["note"] = HOSTILE
    with ScreenRig(watch_command(folder)) as rig:  # the terminal of the test fails on any strange byte
        rig.until_text("Ridge?")
        for key in "1234":
            rig.type(key)
            rig.take(0.1)


def test_without_a_terminal_it_says_what_to_use() -> None:
    with ScreenRig(watch_command(Path("/nowhere")), env={"TERM": "dumb"}) as rig:
        assert rig.until_ended() == 1
        assert "halfmark status" in rig.shown.plain_output
        assert not rig.shown.other_screen


# -- keys and changes --------------------------------------------------------------------------


def test_an_alert_is_taken_on_over_the_socket(folder: Path, service: PictureSocket, site: Site) -> None:
    site.picture["alerts"] = [
        {"alert": "bank-hot", "rule": "bank-hot", "title": "bank too hot", "severity": "act", "for_s": 70.0}
    ]
    with ScreenRig(watch_command(folder)) as rig:
        rig.until_text("ACT bank too hot")
        rig.type("a")
        rig.until_text("Take on which alert?")
        rig.type("1")
        rig.until_text("Note for bank too hot: _")
        rig.type("fan is on its way é")
        rig.until_text("on its way é_")
        rig.type("\r")
        rig.until_text("taken on: bank-hot")
        (said,) = service.asked
        assert {key: said[key] for key in ("ask", "alert", "note")} == {
            "ask": "ack",
            "alert": "bank-hot",
            "note": "fan is on its way é",
        }
        assert said["who"]
        service.answers["ack"] = {"ok": False, "why": "no such alert stands"}
        rig.type("a1\r")
        rig.until_text("not taken on: no such alert stands")


def test_a_lone_escape_goes_back(folder: Path, service: PictureSocket, site: Site) -> None:
    site.picture["alerts"] = [{"alert": "bank-hot", "rule": "bank-hot", "severity": "act", "for_s": 70.0}]
    with ScreenRig(watch_command(folder)) as rig:
        rig.until_text("ACT")
        rig.type("a")
        rig.until_text("Take on which alert?")
        rig.type("\x1b")
        rig.until(lambda shown: "Take on which" not in shown.text)


def test_a_resize_is_followed(folder: Path, service: PictureSocket) -> None:
    with ScreenRig(watch_command(folder)) as rig:
        rig.until_text("none stands")
        rig.resize(50, 15)
        rig.until(lambda shown: "62.4" in shown.text and "? help" in shown.lines[-1])
        assert not rig.shown.past_edge
        rig.resize(120, 40)
        rig.until(lambda shown: "overview" in shown.lines[-1])
        assert not rig.shown.scrolled


def test_it_outlives_the_service_and_finds_it_again(folder: Path, site: Site) -> None:
    with ScreenRig(watch_command(folder)) as rig:
        with PictureSocket(folder / "sockets", site):
            rig.until_text("[ok] Cold Fork Ridge")
        rig.until_text("service is not running")
        rig.until_text("last words from")
        assert "12.84 V" in rig.shown.text
        with PictureSocket(folder / "sockets", site):
            rig.until_text("[ok] Cold Fork Ridge")
            assert "last words" not in rig.shown.text


def test_a_record_alone_is_enough(folder: Path) -> None:
    with ScreenRig(watch_command(folder, store=folder / "record.db")) as rig:
        rig.until_text("a copy of the record, not the service")
        assert "62.4" in rig.shown.text


def test_neither_service_nor_record_is_told_and_waited_out(tmp_path: Path, site: Site) -> None:
    with ScreenRig(watch_command(tmp_path / "state")) as rig:
        rig.until_text("service is not running")
        with PictureSocket(tmp_path / "state" / "sockets", site):
            rig.until_text("[ok] Cold Fork Ridge")


# -- bytes -------------------------------------------------------------------------------------


def test_a_quiet_site_costs_next_to_nothing_and_a_slow_one_little(
    folder: Path, service: PictureSocket, site: Site
) -> None:
    with ScreenRig(watch_command(folder)) as rig:
        rig.until_text("none stands")
        rig.until(lambda shown: "reading the last day" not in shown.text)
        first = service.looks
        quiet = rig.take(1.3)
        assert service.looks - first >= 2
        assert quiet == 0
        changed = 0
        for step in range(4):
            site.picture["quantities"]["bank_v"]["value"] = 12.5 + step / 100.0
            site.picture["quantities"]["bank_a"]["value"] = -0.4 - step / 7.0
            site.picture["at_s"] += 0.5
            changed += rig.take(0.5)
        assert 0 < changed < 2.0 * 200  # in two seconds; the limit for a slow link is 2000 a second


# -- endings -----------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT])
def test_a_signal_gives_the_terminal_back_and_ends_it(folder: Path, service: PictureSocket, number: int) -> None:
    with ScreenRig(watch_command(folder)) as rig:
        rig.until_text("none stands")
        rig.signal(number)
        assert rig.until_ended() == -number
        is_given_back(rig)


def test_ctrl_c_is_a_plain_way_to_leave(folder: Path, service: PictureSocket) -> None:
    with ScreenRig(watch_command(folder)) as rig:
        rig.until_text("none stands")
        rig.type("\x03")
        assert rig.until_ended() == 0
        is_given_back(rig)
        assert rig.shown.plain_output == ""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_killed_in_the_middle_of_drawing_on_a_stalled_link_it_gives_the_terminal_back(
    folder: Path, service: PictureSocket, number: int
) -> None:
    with ScreenRig(watch_command(folder)) as rig:
        rig.until_text("none stands")
        rig.until_blocked("\x0c")  # nothing is taken from the terminal: it fills up, and writing waits
        rig.shown.bears_cuts = True
        rig.signal(number)
        assert rig.until_ended() == -number
        is_given_back(rig)


def test_a_mistake_of_our_own_gives_the_terminal_back_and_is_told(folder: Path, service: PictureSocket) -> None:
    command = watch_command(folder)
    broken = "import daemon.screens.watch_state as w; w.help_page = None; "
    with ScreenRig([*command[:-1], broken + command[-1]]) as rig:
        rig.until_text("none stands")
        rig.type("?")
        assert rig.until_ended() == 1
        is_given_back(rig)
        assert "TypeError" in rig.shown.plain_output


def test_a_terminal_that_goes_away_ends_it(folder: Path, service: PictureSocket) -> None:
    with ScreenRig(watch_command(folder)) as rig:
        rig.until_text("none stands")
        rig.hang_up()
        assert rig.child.wait(10.0) in (0, -signal.SIGHUP)


def test_ctrl_z_gives_the_terminal_to_the_shell_and_fg_takes_it_again(folder: Path, service: PictureSocket) -> None:
    modes = folder / "modes-while-stopped"
    script = f"set -m; {shlex.join(watch_command(folder))}; stty -a > {modes}; fg > /dev/null; exit $?"
    with ScreenRig(["/bin/sh", "-c", script]) as rig:
        rig.until_text("none stands")
        rig.type("\x1a")
        rig.until(lambda shown: shown.times_taken >= 2, "taking it again")
        rig.until_text("none stands")
        assert all(word in modes.read_text() for word in (" icanon", " echo "))
        rig.type("q")
        assert rig.until_ended() == 0
        is_given_back(rig)


def test_where_nobody_can_stop_it_ctrl_z_changes_nothing(folder: Path, service: PictureSocket) -> None:
    with ScreenRig(watch_command(folder)) as rig:  # without a shell above it the kernel does not stop it
        rig.until_text("none stands")
        rig.signal(signal.SIGTSTP)
        rig.until(lambda shown: shown.times_taken >= 2, "taking it again")
        rig.until_text("none stands")


def test_it_leaves_by_itself_when_the_time_is_over(folder: Path, service: PictureSocket) -> None:
    with ScreenRig(watch_command(folder, more=", seconds=0.5")) as rig:
        assert rig.until_ended() == 0
        is_given_back(rig)
