"""What `check` says of maps whose answers can't be guarded."""

import io
from pathlib import Path

import pytest

from daemon.configuration import load_maps, load_site
from daemon.map_doubts import map_doubts
from daemon.site_check import run_check
from servers.text_forms import BARE

EXAMPLE = Path(__file__).parents[2] / "config" / "example-small-agm.toml"
ONE_POINT = """
[[point]]
quantity = "bank_a"
table = "input"
address = 7
type = "s16"
"""
IDENTITY = """
[identity]
table = "holding"
address = 0
type = "u16"
value = 4711
"""


def checked(folder: Path, shunt_map: str, *changes: tuple[str, str]) -> tuple[Path, list[str]]:
    (folder / "maps").mkdir(exist_ok=True)
    for source in (EXAMPLE.parent / "maps").glob("*.toml"):
        (folder / "maps" / source.name).write_text(source.read_text())
    (folder / "maps" / "example-shunt.toml").write_text(shunt_map)
    text = EXAMPLE.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "site.toml"
    path.write_text(text)
    site = load_site(path)
    return path, list(map_doubts(site, load_maps(site)))


def test_a_map_with_one_question_is_told_and_how_to_mend_it(tmp_path: Path) -> None:
    path, doubts = checked(tmp_path, ONE_POINT, ('bank_v = "shunt"', ""))
    assert len(doubts) == 1 and doubts[0].startswith("shunt: its map leaves only one question")
    out = io.StringIO()
    assert run_check(path, secrets_folder=tmp_path, out=out) == 0
    told = " ".join(out.getvalue().split())
    assert "Add [identity] or a [[readable]] range to the map." in told


@pytest.mark.parametrize("cure", [IDENTITY, '[[readable]]\ntable = "input"\naddress = 8\ncount = 1\n'])
def test_each_cure_it_names_is_one(tmp_path: Path, cure: str) -> None:
    assert checked(tmp_path, cure + ONE_POINT, ('bank_v = "shunt"', ""))[1] == []


def test_over_modbus_tcp_each_answer_has_a_number(tmp_path: Path) -> None:
    old = 'port = "/dev/serial/by-id/usb-EXAMPLE-if00"'
    tcp, rtu = 'tcp = "192.0.2.10:502"', 'tcp = "192.0.2.10:502"\nframing = "rtu"'
    assert checked(tmp_path, ONE_POINT, ('bank_v = "shunt"', ""), (old, tcp))[1] == []
    assert len(checked(tmp_path, ONE_POINT, ('bank_v = "shunt"', ""), (old, rtu))[1]) == 1


def test_records_without_a_checksum_are_told(tmp_path: Path) -> None:
    line = "[line.rs485]"
    own = '[line.talk]\nport = "/dev/ttyUSB7"\n' + line
    shunt = (
        '[instrument.shunt]\nline = "rs485"\ndriver = "register-map"',
        '[instrument.shunt]\nline = "talk"\ndriver = "text-lines"',
    )
    doubts = checked(tmp_path, BARE, (line, own), shunt, ("unit = 2\n", ""))[1]
    assert len(doubts) == 1 and "no checksum" in doubts[0]


def test_the_examples_leave_nothing_open() -> None:
    for path in EXAMPLE.parent.glob("*.toml"):
        site = load_site(path)
        assert list(map_doubts(site, load_maps(site))) == [], path
