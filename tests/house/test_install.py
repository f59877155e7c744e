"""The installer, below a folder of its own: the real program in a real venv, twice, and away again."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from daemon.unit_dropins import DROP_IN

ROOT = Path(__file__).resolve().parents[2]
SITE = ROOT / "config" / "demo-site.toml"


def install(*options: str, checkout: Path = ROOT) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", str(checkout / "deploy" / "install.sh"), *options],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=110,
    )


def copy_checkout(target: Path) -> Path:
    for name in ("deploy", "shared", "drivers", "daemon", "config"):
        shutil.copytree(ROOT / name, target / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", target)
    return target


def everything_in(root: Path) -> dict[str, tuple[int, float]]:
    """Mode and time of change of all that is installed, without the inside of the venv."""
    found = (path for path in root.rglob("*") if "versions" not in path.parts)
    return {str(path): (path.lstat().st_mode, path.lstat().st_mtime) for path in found}


@pytest.fixture(scope="module")
def checkout(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy that nobody edits meanwhile: what is installed goes by the hash of all files."""
    return copy_checkout(tmp_path_factory.mktemp("checkout"))


@pytest.fixture(scope="module")
def installed(checkout: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("install")
    done = install("--root", str(root), "--site", str(SITE), checkout=checkout)
    assert done.returncode == 0, done.stdout + done.stderr
    return root


# One after the other on one installation, because making it takes most of the time.
class TestInstalled:
    def test_the_program_runs_from_its_own_venv_and_has_the_examples(self, installed: Path) -> None:
        current = installed / "opt/halfmark/current"
        done = subprocess.run([current / "bin/halfmark", "--help"], capture_output=True, text=True, cwd="/")
        assert done.returncode == 0
        assert "status" in done.stdout
        script = "import daemon.main; print(daemon.main.__file__)"
        done = subprocess.run([current / "bin/python", "-c", script], capture_output=True, text=True, cwd="/")
        assert done.stdout.startswith(str(current))
        assert (current / "share/halfmark/config" / SITE.name).read_bytes() == SITE.read_bytes()
        assert str((installed / "usr/local/bin/halfmark").readlink()) == "/opt/halfmark/current/bin/halfmark"

    def test_site_maps_and_secrets_are_closed_to_others(self, installed: Path) -> None:
        etc = installed / "etc/halfmark"
        assert (etc / "site.toml").read_bytes() == SITE.read_bytes()
        modes = {path.name: path.stat().st_mode & 0o777 for path in (etc, *etc.iterdir())}
        assert modes == {"halfmark": 0o750, "secrets": 0o700, "maps": 0o750, "site.toml": 0o640}
        assert {map.name for map in (etc / "maps").iterdir()} >= {"example-shunt.toml", "example-controller.toml"}

    def test_the_units_name_the_program_that_was_installed(self, installed: Path) -> None:
        for name in ("halfmark.service", "halfmark-send.service"):
            text = (installed / "etc/systemd/system" / name).read_text()
            start = re.search(r"^ExecStart=(\S+) ", text, re.MULTILINE)
            assert start is not None
            assert os.access(installed / start[1].lstrip("/"), os.X_OK)

    def test_a_second_run_changes_nothing(self, checkout: Path, installed: Path) -> None:
        before = everything_in(installed)
        done = install("--root", str(installed), "--site", str(SITE), checkout=checkout)
        assert done.returncode == 0, done.stderr
        assert "nothing to change" in done.stdout
        assert everything_in(installed) == before

    def test_a_site_file_that_is_there_is_never_replaced(self, checkout: Path, installed: Path, tmp_path: Path) -> None:
        other = tmp_path / "other.toml"
        other.write_text(SITE.read_text().replace("Cold Fork Ridge", "Another Hill"))
        done = install("--root", str(installed), "--site", str(other), checkout=checkout)
        assert done.returncode == 0, done.stderr
        assert "is left as it is" in done.stdout
        assert (installed / "etc/halfmark/site.toml").read_bytes() == SITE.read_bytes()

    def test_a_port_the_unit_does_not_allow_is_let_in_by_a_drop_in(self, checkout: Path, installed: Path) -> None:
        site = installed / "etc/halfmark/site.toml"
        drop_in = installed / "etc/systemd/system" / DROP_IN
        assert not drop_in.exists()
        site.write_text(re.sub(r'^port = ".*"', 'port = "/dev/ttyAMA0"', SITE.read_text(), flags=re.MULTILINE))
        try:
            done = install("--root", str(installed), checkout=checkout)
            assert done.returncode == 0, done.stderr
            assert "DeviceAllow=char-ttyAMA rw" in drop_in.read_text()
        finally:
            site.write_bytes(SITE.read_bytes())
        assert install("--root", str(installed), checkout=checkout).returncode == 0
        assert not drop_in.exists()

    def test_a_site_file_with_a_mistake_is_told_of_and_nothing_is_started(
        self, checkout: Path, installed: Path
    ) -> None:
        site = installed / "etc/halfmark/site.toml"
        site.write_text(SITE.read_text().replace('chemistry = "agm"', 'chemistry = "treacle"'))
        try:
            done = install("--root", str(installed), checkout=checkout)
        finally:
            site.write_bytes(SITE.read_bytes())
        assert done.returncode != 0
        assert "treacle" in done.stdout + done.stderr
        assert "nothing was started" in done.stderr

    def test_an_update_that_fails_leaves_the_old_program_at_work(
        self, checkout: Path, installed: Path, tmp_path: Path
    ) -> None:
        newer = copy_checkout(tmp_path / "newer")
        (newer / "daemon" / "__init__.py").write_text('"""Newer."""\n')
        wheels = tmp_path / "wheels"
        wheels.mkdir()
        version = re.search(r"versions/(\w+)", install("--root", str(installed), "--dry-run", checkout=newer).stdout)
        assert version is not None
        (wheels / "made-from").write_text(version[1])
        before = (installed / "opt/halfmark/current").readlink()
        done = install("--root", str(installed), "--wheels", str(wheels), checkout=newer)
        assert done.returncode == 1
        assert f"not everything is in {wheels}" in done.stderr
        assert (installed / "opt/halfmark/current").readlink() == before

    def test_uninstalling_leaves_site_and_secrets(self, checkout: Path, installed: Path) -> None:
        secret = installed / "etc/halfmark/secrets/mail-password"
        secret.write_text("not a real one")
        for _ in range(2):  # the second time there is nothing left to take away
            done = install("--root", str(installed), "--uninstall", checkout=checkout)
            assert done.returncode == 0, done.stderr
            assert not (installed / "opt/halfmark").exists()
            assert not (installed / "usr/local/bin/halfmark").is_symlink()
            assert list((installed / "etc/systemd/system").iterdir()) == []
            assert (installed / "etc/halfmark/site.toml").exists()
            assert secret.read_text() == "not a real one"


def test_a_dry_run_says_what_it_would_do_and_does_nothing(tmp_path: Path) -> None:
    done = install("--root", str(tmp_path), "--site", str(SITE), "--dry-run")
    assert done.returncode == 0, done.stderr
    assert "would: make the venv" in done.stdout
    assert f"would: cp {SITE} {tmp_path}/etc/halfmark/site.toml.new" in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_wheels_of_another_checkout_are_refused(tmp_path: Path) -> None:
    (tmp_path / "wheels").mkdir()
    (tmp_path / "wheels" / "made-from").write_text("0123456789ab")
    done = install("--root", str(tmp_path / "root"), "--wheels", str(tmp_path / "wheels"))
    assert done.returncode == 1
    assert "were not made from this checkout" in done.stderr
    assert not (tmp_path / "root").exists()


def test_a_dry_run_for_this_computer_tells_of_users_owners_and_services() -> None:
    done = install("--dry-run", "--operator", "root")
    assert done.returncode == 0, done.stderr
    for words in ("usermod --append --groups dialout halfmark", "usermod --append --groups halfmark root"):
        assert f"would: {words}" in done.stdout
    assert "would: systemctl daemon-reload" in done.stdout


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--frobnicate"], "unknown option --frobnicate"),
        (["--site"], "--site needs a value"),
        (["--site", "/nowhere/site.toml"], "/nowhere/site.toml: no such file"),
        (["--wheels", "/nowhere"], "/nowhere: no such folder"),
        (["--dry-run", "--operator", "no-such-person"], "no-such-person: no such user"),
    ],
)
def test_a_wrong_option_is_named(options: list[str], words: str) -> None:
    done = install(*options)
    assert done.returncode == 1
    assert words in done.stderr
