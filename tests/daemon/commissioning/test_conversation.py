"""Leading a person through: scripted against a pretended service, and once for real on a terminal of 40 columns."""

import codecs
import io
import os
import pty
import select
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator, Mapping
from fcntl import ioctl
from pathlib import Path
from typing import Any

import pytest

from daemon.commissioning import conversation
from daemon.commissioning.findings import DONE, SKIPPED, Dated, StepFinding, of_run, read_finding
from daemon.commissioning.sheet import sheet
from daemon.commissioning.steps import STEPS
from daemon.errors import ServiceError
from daemon.example_files import example
from daemon.folders import Folders
from daemon.live_look import LiveLook
from daemon.main import main
from daemon.screens.lettering import columns
from servers.site_rig import LIMIT_S, SiteRig
from shared.readings import Reading

NAMES = [step.name for step in STEPS]


class Hill:
    """A pretended service: keeps findings, gives readings, and a person who types what is in the script."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.found: list[Dated] = []
        self.looks: Iterator[LiveLook] = iter(())
        self.site_file = folder / "site.toml"
        (folder / "maps").mkdir()
        for name in ("maps/example-shunt.toml", "maps/example-controller.toml"):
            (folder / name).write_text(example(name))
        self.site_file.write_text(example("demo-site.toml"))
        self.folders = Folders.find(state=folder / "state", env={})
        monkeypatch.setattr(conversation, "tell_service", self.tell)
        monkeypatch.setattr(conversation, "look_at_service", lambda *_, **__: next(self.looks))
        monkeypatch.setattr(conversation, "_in_record", lambda folder: list(self.found))

    def tell(self, folders: Folders, message: Mapping[str, Any]) -> dict[str, object]:
        if message["ask"] == "commission":
            finding = read_finding(message["text"])
            assert finding is not None
            self.found.append(Dated(finding, message["who"], 1_790_000_000.0))
        return {"ok": True, "trusted": True, "source": "operator", "utc_s": 1_790_000_000.0}

    def lead(self, *typed: str, again: bool = False, columns: int = 80) -> tuple[int, str]:
        script, out = iter(typed), io.StringIO()

        def hear(prompt: str) -> str:
            out.write(prompt)
            said = next(script, None)
            if said is None:
                raise KeyboardInterrupt
            return said

        code = conversation.run_commission(
            self.site_file, self.folders, who="mara", again=again, out=out, hear=hear, columns=columns
        )
        return code, out.getvalue()

    def outcomes(self, run: int = 1) -> dict[str, str]:
        return {name: row.finding.outcome for name, row in of_run(self.found, run).items()}


@pytest.fixture
def hill(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Hill:
    return Hill(tmp_path, monkeypatch)


def answering(bank_a: float) -> LiveLook:
    found = LiveLook("service")
    for n in range(6):
        found.add(Reading("shunt", n + 1.0, {"bank_v": 12.8, "bank_a": bank_a}))
        found.add(Reading("controller", n + 1.0, {"charge_a": 0.0, "load_a": -bank_a}))
    return found


def test_it_stops_anywhere_and_goes_on_from_there(hill: Hill) -> None:
    hill.looks = iter([answering(0.0)] * 9)
    code, told = hill.lead("")  # the clock needs nobody; Enter at the instruments; Ctrl-C at the zero
    assert code == 1 and "Go on any time" in told
    assert hill.outcomes() == {"clock": DONE, "instruments": DONE}
    code, told = hill.lead("", "", "s", "s", "s", "s", "s")
    assert code == 0
    assert "[ok] Step 1 of 8" in told and told.count("Cover the panel or open") == 1
    assert hill.outcomes() == {**dict.fromkeys(NAMES, SKIPPED), **dict.fromkeys(NAMES[:3], DONE)}
    code, told = hill.lead()
    assert code == 0, "nothing is left to ask"


def test_a_step_can_be_repeated_and_the_last_finding_counts(hill: Hill) -> None:
    hill.looks = iter([answering(0.0), answering(0.4), answering(0.001)])
    code, told = hill.lead("", "", "", "r", "", "", "q")
    assert code == 1
    assert hill.outcomes()["shunt-zero"] == DONE
    assert [row.finding.outcome for row in hill.found if row.finding.step == "shunt-zero"] == ["wrong", DONE]


def test_what_was_wrong_is_offered_again_and_a_new_one_begins_anew(hill: Hill) -> None:
    hill.looks = iter([answering(0.0), answering(0.4), answering(0.0)])
    hill.lead("", "", "", "q")
    _, told = hill.lead("q")
    assert "last time: offset +400 mA" in told
    hill.lead("", "q", again=True)
    assert hill.outcomes(2) == {"clock": DONE, "instruments": DONE}
    assert hill.outcomes(1)["shunt-zero"] == "wrong"


def test_a_zero_that_was_wrong_is_no_zero_for_the_next_step(hill: Hill) -> None:
    """Taken off 0.4 A of something left on, a current above zero would pass for a load."""
    hill.looks = iter([answering(0.0), answering(0.4), answering(0.2)])
    hill.lead("", "", "", "", "", "q")
    assert hill.outcomes() == {"clock": DONE, "instruments": DONE, "shunt-zero": "wrong", "sign": "wrong"}


def test_numbers_are_asked_for_until_they_are_some(hill: Hill) -> None:
    hill.looks = iter([answering(0.0), answering(-0.2)])
    hill.lead("", "", "much", "1e9", "0,2", "q")
    (finding,) = [row.finding for row in hill.found if row.finding.step == "shunt-zero"]
    assert finding.outcome == DONE and finding.figures["offset_a"] == pytest.approx(0.0)


def test_the_end_of_the_input_is_a_stop(hill: Hill) -> None:
    def gone(prompt: str) -> str:
        raise EOFError

    out = io.StringIO()
    assert conversation.run_commission(hill.site_file, hill.folders, who="m", again=False, out=out, hear=gone) == 1
    assert "Stopped here" in out.getvalue()


@pytest.mark.parametrize("width", [40, 80])
def test_nothing_is_wider_than_the_terminal(hill: Hill, width: int) -> None:
    hill.looks = iter([answering(0.0)] * 20)
    _, told = hill.lead(*[""] * 40, columns=width)
    assert max(columns(row.removeprefix("> ")) for row in told.splitlines()) <= width
    found = {name: Dated(StepFinding(1, name, DONE, "long words " * 30), "mara", None) for name in NAMES}
    text = sheet("A very long name of a site on a very high hill far away", 1, found, width)
    assert max(columns(row) for row in text.splitlines()) <= width
    assert "undated" in text


def test_a_finding_reads_back_and_nonsense_does_not() -> None:
    finding = StepFinding(3, "key", DONE, 'says "1.6 A"', {"added_a": 1.47})
    assert read_finding(finding.text()) == finding
    for text in ("", "x", "[]", "{}", '{"run":0,"step":"a","outcome":"done","words":"","figures":{}}', "null"):
        assert read_finding(text) is None
    assert read_finding(finding.text().replace("done", "gone")) is None


def test_nobody_at_the_keyboard_and_no_service_are_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    assert main(["commission", "--state", str(tmp_path)]) == 2
    assert "needs somebody who types" in capsys.readouterr().err
    hill = Hill(tmp_path, monkeypatch)
    monkeypatch.undo()
    with pytest.raises(ServiceError, match="not running"):
        conversation.run_commission(hill.site_file, hill.folders, who="m", again=False, out=io.StringIO())


class Terminal:
    """`halfmark commission` on a terminal of its own, 40 columns, that can do nothing."""

    def __init__(self, rig: SiteRig) -> None:
        self.ours, theirs = pty.openpty()
        ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 40, 0, 0))
        command = [sys.executable, "-m", "daemon.main", "commission", str(rig.site_file), "--who", "mara"]
        self.child = subprocess.Popen(
            [*command, "--state", str(rig.folders.state)],
            stdin=theirs, stdout=theirs, stderr=theirs, env={**os.environ, "TERM": "dumb", "COLUMNS": ""},
            start_new_session=True, preexec_fn=lambda: ioctl(0, termios.TIOCSCTTY, 0) and None,
        )  # fmt: skip
        os.close(theirs)
        self.told = ""
        self._letters = codecs.getincrementaldecoder("utf-8")()  # a read may end in the middle of one

    def wait_for(self, words: str) -> None:
        until_s = time.monotonic() + LIMIT_S
        while words not in self.told:
            ready, _, _ = select.select([self.ours], [], [], max(0.0, until_s - time.monotonic()))
            if not ready:
                self.child.kill()
                self.end()
                raise AssertionError(f"no {words!r} in {self.told!r}")
            self.told += self._letters.decode(os.read(self.ours, 4096))

    def type(self, keys: str, then: str) -> None:
        self.told = ""
        os.write(self.ours, keys.encode())
        self.wait_for(then)

    def end(self) -> int:
        code = self.child.wait(LIMIT_S)
        os.close(self.ours)
        return code


def test_on_a_dumb_terminal_with_the_real_service(tmp_path: Path) -> None:
    radio = "[load.repeater]\nidle_a = 0.13\ntransmit_a = 1.6"
    with SiteRig(tmp_path / "site", more=radio) as rig:
        service = rig.start()
        service.wait_until_reading()
        first = Terminal(rig)
        first.wait_for("> ")
        assert "Step 1 of 8: The clock" in first.told and "no clock is trusted" in first.told
        first.type("\n", "> ")
        first.type("\n", "instruments answer")
        first.wait_for("Step 3")
        first.wait_for("> ")
        os.write(first.ours, b"\x03")
        first.wait_for("Stopped here")
        assert first.end() == 1
        assert main(["clock", "now", "--state", str(rig.folders.state)]) == 0
        service.kill()  # what was found is kept as it was found
        service = rig.start()
        service.wait_until_reading()
        second = Terminal(rig)
        second.wait_for("Step 3")
        second.wait_for("> ")
        assert "[ok] Step 2" in second.told and "trusted, by the" in second.told
        for number in range(4, 9):
            second.type("s\n", f"Step {number} of 8")
            second.wait_for("> ")
        second.type("s\n", "Print it again")
        assert second.end() == 0
        assert service.stop() == 0
        done = subprocess.run(
            [sys.executable, "-m", "daemon.main", "commission", "--sheet", str(rig.site_file)]
            + ["--state", str(rig.folders.state)],
            capture_output=True, text=True, check=True, stdin=subprocess.DEVNULL,
        )  # fmt: skip
        assert "Test Ridge: commissioning 1" in done.stdout and done.stdout.count("mara") >= 8
        assert "UTC" in done.stdout and "[ok] Every instrument answers" in done.stdout
