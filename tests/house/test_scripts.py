"""The shell scripts of deploy/: plain POSIX, quick the second time, and clear when they fail.

Python, pip and the checkers are stood in for by a script that writes down what it was asked.
"""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = sorted([*(ROOT / "deploy").glob("*.sh"), ROOT / ".ci" / "run"])

# Takes the place of python: notes its words, makes a "venv" that holds itself, fails where FAIL_AT says so.
STAND_IN = """#!/bin/sh
printf '%s\\n' "${0##*/} $*" >>"$CALLS"
case "$*" in *"${FAIL_AT:-nothing fails}"*) exit 3 ;; esac
if [ "$1 $2" = "-m venv" ]; then
    for folder; do :; done
    mkdir -p "$folder/bin"
    cp "$0" "$folder/bin/python"
fi
exit 0
"""


class Checkout:
    """A checkout in a folder of its own with stand-ins for every tool."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.calls_file = folder / "calls"
        shutil.copytree(ROOT / "deploy", folder / "deploy")
        (folder / "pyproject.toml").write_text('[project]\nname = "halfmark"\n')
        self.tool(folder / "python-stand-in")

    def tool(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(STAND_IN)
        path.chmod(0o755)

    def sh(self, script: str, *, fail_at: str | None = None) -> subprocess.CompletedProcess[str]:
        environ = {"PATH": os.environ["PATH"], "PYTHON": str(self.folder / "python-stand-in")}
        environ["CALLS"] = str(self.calls_file)
        if fail_at is not None:
            environ["FAIL_AT"] = fail_at
        self.calls_file.write_text("")
        return subprocess.run(
            ["sh", "-c", script], cwd=self.folder, env=environ, stdin=subprocess.DEVNULL, capture_output=True, text=True
        )

    def make_venv(self, extras: str, *, fail_at: str | None = None) -> subprocess.CompletedProcess[str]:
        words = f"set -eu; here={self.folder}; . deploy/setup.sh; make_venv {self.folder}/.venv '{extras}'"
        return self.sh(words, fail_at=fail_at)

    def installs(self) -> list[str]:
        return [call.rpartition(" ")[2] for call in self.calls_file.read_text().splitlines() if " -m pip " in call]


@pytest.fixture
def checkout(tmp_path: Path) -> Checkout:
    return Checkout(tmp_path)


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
@pytest.mark.parametrize("shell", ["sh", "dash", "bash"])
def test_the_script_is_understood(script: Path, shell: str) -> None:
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not on this machine")
    done = subprocess.run([shell, "-n", str(script)], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_second_set_up_installs_nothing(checkout: Checkout) -> None:
    assert checkout.make_venv("[dev]").returncode == 0
    assert checkout.installs() == [f"{checkout.folder}[dev]"]
    assert checkout.make_venv("[dev]").returncode == 0
    assert checkout.installs() == []


def test_a_changed_project_file_is_installed_again(checkout: Checkout) -> None:
    checkout.make_venv("")
    (checkout.folder / "pyproject.toml").write_text('[project]\nname = "halfmark"\nversion = "9"\n')
    assert checkout.make_venv("").returncode == 0
    assert checkout.installs() == [str(checkout.folder)]


def test_tests_after_the_demo_add_what_they_need_and_the_demo_keeps_it(checkout: Checkout) -> None:
    checkout.make_venv("")
    checkout.make_venv("[dev]")
    assert checkout.installs() == [f"{checkout.folder}[dev]"]
    checkout.make_venv("")
    assert checkout.installs() == []
    (checkout.folder / "pyproject.toml").write_text('[project]\nname = "halfmark"\nversion = "9"\n')
    checkout.make_venv("")
    assert checkout.installs() == [f"{checkout.folder}[dev]"]


def test_an_installation_that_failed_says_so_and_is_tried_again(checkout: Checkout) -> None:
    done = checkout.make_venv("[dev]", fail_at="-m pip")
    assert done.returncode == 1
    assert "pip could not install" in done.stderr
    assert checkout.make_venv("[dev]").returncode == 0
    assert checkout.installs() == [f"{checkout.folder}[dev]"]


def test_a_python_that_is_too_old_is_named(checkout: Checkout) -> None:
    done = checkout.make_venv("", fail_at="version_info")
    assert done.returncode == 1
    assert "python-stand-in is no Python 3.11 or newer" in done.stderr


def tools(checkout: Checkout) -> None:
    checkout.make_venv("[dev]")
    for name in ("ruff", "mypy", "lint-imports"):
        checkout.tool(checkout.folder / ".venv" / "bin" / name)


def test_every_stage_is_run_and_timed(checkout: Checkout) -> None:
    tools(checkout)
    done = checkout.sh("sh deploy/test.sh -k half")
    assert done.returncode == 0, done.stderr
    calls = checkout.calls_file.read_text()
    for words in ("ruff check", "ruff format -q --check", "mypy", "lint-imports", "python -m pytest"):
        assert f"\n{words}" in calls
    assert calls.rstrip().endswith("-k half")
    for name in ("set-up", "ruff check", "ruff format", "mypy", "import-linter", "pytest"):
        assert f"  {name}: " in done.stdout


@pytest.mark.parametrize(
    ("fail_at", "stage"),
    [
        ("check -q", "ruff check"),
        ("format -q", "ruff format"),
        ("--no-logo", "import-linter"),
        ("-m pytest", "pytest"),
        ("import sys", "set-up"),
    ],
)
def test_the_first_stage_that_fails_ends_it_and_is_named(checkout: Checkout, fail_at: str, stage: str) -> None:
    tools(checkout)
    done = checkout.sh("sh deploy/test.sh", fail_at=fail_at)
    assert done.returncode == 1
    if stage != "set-up":  # the set-up tells its own reason
        assert f"FAILED at: {stage} (exit code 3" in done.stderr
    assert "all passed" not in done.stdout


def test_the_demo_gets_its_options_and_runs_in_place_of_the_script(checkout: Checkout) -> None:
    checkout.make_venv("")
    checkout.tool(checkout.folder / ".venv" / "bin" / "halfmark")
    done = checkout.sh("sh deploy/demo.sh --seconds 5", fail_at="demo")
    assert done.returncode == 3
    assert checkout.calls_file.read_text().rstrip().endswith("halfmark demo --seconds 5")
