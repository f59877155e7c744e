"""What a new site file changes, told in sentences, and what it leaves as it was."""

from pathlib import Path

import attrs
import pytest

from daemon.configuration import load_maps, load_site
from daemon.example_files import example
from daemon.site_change import changes, same_currents, same_devices
from shared.site import AlertChange, Line, RegularNotices, Site, WayOut

MAPS = ("maps/example-shunt.toml", "maps/example-controller.toml")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "maps").mkdir()
    for name in MAPS:
        (tmp_path / name).write_text(example(name))
    (tmp_path / "site.toml").write_text(example("demo-site.toml"))
    return tmp_path


def told(old: Site, new: Site, forgotten: tuple[str, ...] = ()) -> list[str]:
    return changes(old, new, lines=((), ()), forgotten=forgotten)


def test_the_same_file_is_no_change(folder: Path) -> None:
    assert told(load_site(folder / "site.toml"), load_site(folder / "site.toml")) == []


def test_each_change_is_told(folder: Path) -> None:
    old = load_site(folder / "site.toml")
    cases = {
        "alert rules": attrs.evolve(old, alerts={"controller-hot": AlertChange("controller-hot", raise_at=60.0)}),
        "the estimate goes on": attrs.evolve(old, bank=attrs.evolve(old.bank, half_mark=0.6)),
        "[way-out]": attrs.evolve(old, ways_out={"log": WayOut("log", "journal")}),
        "[load]": attrs.evolve(old, loads={}),
        "[notices]": attrs.evolve(old, notices=RegularNotices(heartbeat_h=12.0)),
        "[clock]": attrs.evolve(old, clock_trust=("operator",)),
        "each 60 s": attrs.evolve(old, commit_s=60.0),
        "instrument controller gone": attrs.evolve(old, instruments={"shunt": old.instruments["shunt"]}),
        "run the installer again": attrs.evolve(old, lines={**old.lines, "b": Line("b", tcp="192.0.2.10:502")}),
    }
    for words, new in cases.items():
        assert any(words in row for row in told(old, new)), words
        assert len(told(old, new)) == (2 if "gone" in words else 1), "an instrument takes its own alerts with it"
    assert "another bank" in told(old, attrs.evolve(old, bank=attrs.evolve(old.bank, cells=12)), ("bank",))[0]


def test_lines_are_told_as_ended_begun_or_both(folder: Path) -> None:
    site = load_site(folder / "site.toml")
    rows = changes(site, site, lines=(("a", "b"), ("b", "c")), forgotten=())
    assert rows == ["line b begun anew", "line a ended", "line c begun"]


@pytest.mark.parametrize(
    ("file", "before", "after", "devices", "currents"),
    [
        ("site.toml", "every_s = 10", "every_s = 20", {"shunt", "controller"}, {"shunt", "controller"}),
        ("site.toml", "unit = 2", "unit = 7", {"controller"}, {"controller"}),
        (
            MAPS[0],
            "scale = 0.001\nmin = -100.0",
            "scale = -0.001\nmin = -100.0",
            {"shunt", "controller"},
            {"controller"},
        ),
        (MAPS[0], "min = -45.0", "min = -30.0", {"shunt", "controller"}, {"shunt", "controller"}),
    ],
)
def test_what_is_the_same_device_and_the_same_current(
    folder: Path, file: str, before: str, after: str, devices: set[str], currents: set[str]
) -> None:
    old = load_site(folder / "site.toml")
    old_maps = load_maps(old)
    text = (folder / file).read_text()
    assert before in text
    (folder / file).write_text(text.replace(before, after, 1))
    new = load_site(folder / "site.toml")
    assert same_devices(old, new) == devices
    assert same_currents(old, old_maps, new, load_maps(new)) == currents
