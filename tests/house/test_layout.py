"""What the house rules say of names and places, where a tool can see it."""

import importlib.metadata
import importlib.util
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("shared", "drivers", "daemon")
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "daemon", "drivers", "config", "tests", "deploy", "shared"}


@pytest.fixture(scope="module")
def tracked() -> list[str]:
    if not (ROOT / ".git").exists():
        pytest.skip("no git checkout: what belongs to the project can't be told from what lies about")
    # The checkout may belong to another user than the one who tests it.
    command = ["git", "-c", "safe.directory=*", "ls-files", "-z"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    names = [name for name in done.stdout.split("\0") if name and (ROOT / name).is_file()]
    assert "pyproject.toml" in names
    return names


@pytest.mark.parametrize("name", PACKAGES)
def test_no_other_distribution_owns_our_import_names(name: str) -> None:
    owners = importlib.metadata.packages_distributions().get(name, [])
    assert set(owners) == {"halfmark"}, f"import name {name!r} belongs to {owners}"


@pytest.mark.parametrize("name", PACKAGES)
def test_our_import_names_lead_to_this_checkout(name: str) -> None:
    spec = importlib.util.find_spec(name)
    assert spec is not None
    assert spec.origin == str(ROOT / name / "__init__.py")


@pytest.mark.parametrize("name", ["daemon/daemon.py", "daemon/pidfile.py"])
def test_files_that_an_unrelated_package_owns_are_not_there(name: str) -> None:
    # python-daemon installs its modules as daemon/daemon.py and daemon/pidfile.py.
    assert not (ROOT / name).exists()


def test_the_top_level_holds_only_the_agreed_names(tracked: list[str]) -> None:
    top = {name.split("/")[0] for name in tracked}
    assert {name for name in top if not name.startswith(".")} <= TOP_LEVEL


def test_files_are_named_for_what_they_hold(tracked: list[str]) -> None:
    vague = re.compile(r"(^|_)(utils?|base|common|helpers?|misc|tools?|lib)$")
    assert [name for name in tracked if vague.search(Path(name).stem)] == []


def test_packages_are_typed_and_tests_are_no_packages(tracked: list[str]) -> None:
    assert {f"{name}/py.typed" for name in PACKAGES} <= set(tracked)
    folders = {str(Path(name).parent) for name in tracked if name.endswith(".py") and name.split("/")[0] in PACKAGES}
    assert [folder for folder in folders if f"{folder}/__init__.py" not in tracked] == []
    assert [name for name in tracked if name.startswith("tests/") and name.endswith("/__init__.py")] == []


def test_no_tracked_text_tells_of_a_build_machine(tracked: list[str]) -> None:
    # Spelled in pieces, so that this file doesn't tell of one itself.
    places = re.compile(
        rf"/(?:{'wo' + 'rk'}|{'ro' + 'ot'}|{'Us' + 'ers'}/\w+|{'ho' + 'me'}/\w+)/|{re.escape(str(ROOT))}"
    )
    found = []
    for name in tracked:
        try:
            text = (ROOT / name).read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue  # not text
        found += [f"{name}:{n}" for n, line in enumerate(text.splitlines(), 1) if places.search(line)]
    assert found == []
