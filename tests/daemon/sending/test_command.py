import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from daemon.sending.command import CommandWay, environment
from daemon.sending.ways import Outcome
from servers.letters import HOSTILE, a_letter, hostile_letter
from shared.site import WayOut

TO = ("command",)
LIMIT_S = 20.0


def a_way(*argv: str, limit_s: float = LIMIT_S) -> CommandWay:
    return CommandWay(WayOut("pager", "command", command=argv), limit_s=limit_s)


def python(code: str, *arguments: str, limit_s: float = LIMIT_S) -> CommandWay:
    return a_way(sys.executable, "-c", code, *arguments, limit_s=limit_s)


def test_the_program_gets_the_letter_on_its_input_and_in_its_environment(tmp_path: Path) -> None:
    got = "[json.load(sys.stdin), dict(os.environ), sys.argv[2:]]"
    code = f"import json, os, sys; json.dump({got}, open(sys.argv[1], 'w'))"
    way = python(code, str(tmp_path / "got"), "$HOME", "a b", "`id`", "*")
    assert way.send(a_letter(), way.recipients).taken == TO
    letter, variables, arguments = json.loads((tmp_path / "got").read_text())
    assert letter["text"] == "Site:     Cold Fork Ridge\n\nlast line\n"
    assert letter["utc"] == "2026-01-12T17:40:00+00:00"
    assert arguments == ["$HOME", "a b", "`id`", "*"], "no shell has seen them"
    ours = {name for name in variables if name.startswith("HALFMARK_")}
    assert ours == {f"HALFMARK_{name.upper()}" for name in letter}
    assert variables["HALFMARK_SEVERITY"] == "urgent"
    assert set(variables) - ours <= {"PATH", "LANG", "LC_CTYPE"}, "nothing of the sender's own environment"


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_names_are_data_and_nothing_else(text: str, tmp_path: Path) -> None:
    shell = 'printf %s "$HALFMARK_SITE" >"$1"; cat >/dev/null'
    way = a_way("/bin/sh", "-c", shell, "sh", str(tmp_path / "got"))
    assert way.send(hostile_letter(text), TO).taken == TO
    got = (tmp_path / "got").read_text()
    assert got.isprintable()
    assert got == environment(hostile_letter(text))["HALFMARK_SITE"]


@pytest.mark.parametrize(("code", "kind"), [(0, "taken"), (65, "refused"), (75, "later"), (1, "later"), (127, "later")])
def test_the_exit_code_decides(code: int, kind: str) -> None:
    outcome = a_way("/bin/sh", "-c", f"echo first; echo no$'\\033'route >&2; exit {code}").send(a_letter(), TO)
    assert [name for name in ("taken", "refused", "later") if getattr(outcome, name)] == [kind]
    assert outcome.broken is None
    if kind != "taken":
        said = {**outcome.refused, **outcome.later}["command"]
        assert f"/bin/sh ended with {code}: no" in said
        assert said.isprintable()


def test_a_program_that_is_killed_put_the_letter_off() -> None:
    assert "-9" in a_way("/bin/sh", "-c", "kill -9 $$").send(a_letter(), TO).later["command"]


@pytest.mark.parametrize("argv", [("/no/such/program",), ("/etc/passwd",), (), ("/bin/sh\0x",)])
def test_a_program_that_can_t_be_run_is_a_way_that_does_not_work(argv: tuple[str, ...]) -> None:
    outcome = a_way(*argv).send(a_letter(), TO)
    assert (outcome.taken, outcome.refused, outcome.later) == ((), {}, {})
    assert outcome.broken


def gone(pid: int) -> bool:
    """Wait until a process is no more, or is a corpse nobody has buried yet."""
    end_s = time.monotonic() + LIMIT_S
    while time.monotonic() < end_s:
        try:
            if " Z " in Path(f"/proc/{pid}/stat").read_text():
                return True
        except (FileNotFoundError, ProcessLookupError):
            return True
        os.sched_yield()
    return False


def test_after_the_time_limit_the_whole_process_group_is_killed(tmp_path: Path) -> None:
    shell = f"trap '' TERM; sleep 100 & echo $! >{tmp_path}/pid; mv {tmp_path}/pid {tmp_path}/child; sleep 100"
    outcome = a_way("/bin/sh", "-c", shell, limit_s=0.5).send(a_letter(), TO)
    assert outcome.broken == "/bin/sh took more than 0.5 s and was killed"
    assert gone(int((tmp_path / "child").read_text()))


def test_a_program_that_writes_without_end_costs_no_memory_and_no_hang() -> None:
    outcome = a_way("/usr/bin/yes", limit_s=0.3).send(a_letter(), TO)
    assert "was killed" in (outcome.broken or "")


def test_one_that_never_reads_its_input_and_one_that_leaves_a_child_behind_are_taken() -> None:
    long = a_letter(text="x" * 100_000 + "\n" + "y\n" * 1000)
    assert a_way("/bin/true").send(long, TO).taken == TO
    began_s = time.monotonic()
    assert a_way("/bin/sh", "-c", "sleep 5 & exit 0").send(a_letter(), TO).taken == TO
    assert time.monotonic() - began_s < 4.0


def test_abort_ends_one_that_hangs(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "up")
    way = a_way("/bin/sh", "-c", f"echo up >{tmp_path}/up; sleep 100")
    outcomes: list[Outcome] = []
    thread = threading.Thread(target=lambda: outcomes.append(way.send(a_letter(), TO)))
    thread.start()
    (tmp_path / "up").read_text()
    way.abort()
    thread.join(LIMIT_S)
    assert f"-{signal.SIGKILL.value}" in outcomes[0].later["command"]
    way.abort()  # nothing runs any more: nothing happens


def test_abort_while_the_program_is_being_started_is_not_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    aborting, start = threading.Event(), subprocess.Popen

    def slow_start(*words: Any, **settings: Any) -> Any:
        child = start(*words, **settings)
        threading.Thread(target=abort).start()
        assert aborting.wait(LIMIT_S)
        return child

    def abort() -> None:
        aborting.set()
        way.abort()

    way = a_way("/bin/sh", "-c", "sleep 100")
    monkeypatch.setattr(subprocess, "Popen", slow_start)
    assert f"-{signal.SIGKILL.value}" in way.send(a_letter(), TO).later["command"]
