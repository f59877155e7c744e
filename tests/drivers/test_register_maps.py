"""Map files: what a good one becomes, and every way to break one told at once."""

from pathlib import Path

import pytest

from drivers.errors import DriverError, MapError
from drivers.register_maps import Identity, Readable, RegisterMap, load_register_map
from shared.quantities import QUANTITIES

GOOD = """
name = "invented shunt"
bridge = 2
[identity]
table = "input"
address = 9
type = "u16"
value = 4711
[[readable]]
table = "input"
address = 0
count = 12
[[point]]
quantity = "bank_v"
table = "input"
address = 0
type = "u16"
scale = 0.01
missing = 0xFFFF
min = 8
max = 32
[[point]]
quantity = "bank_a"
table = "holding"
address = 4
type = "s32"
words = "low-first"
scale = -0.001
offset = 0.5
missing = [-2147483648, 0x7FFFFFFF]
"""


def mistakes_of(text: str) -> list[str]:
    with pytest.raises(MapError) as caught:
        load_register_map(text, "maps/m.toml")
    return [str(mistake) for mistake in caught.value.mistakes]


def one_point(changes: str, leave_out: str = "") -> str:
    rows = {"quantity": '"bank_v"', "table": '"input"', "address": "0", "type": '"u16"'}
    rows.pop(leave_out, None)
    for line in changes.splitlines():
        key, _, value = line.partition(" = ")
        rows[key] = value
    return "[[point]]\n" + "\n".join(f"{key} = {value}" for key, value in rows.items()) + "\n"


def test_a_good_map_is_read_as_written() -> None:
    read = load_register_map(GOOD, "maps/good.toml")
    volts, amps = read.points
    assert read.gives == ("bank_v", "bank_a")
    assert (read.name, read.bridge, read.source) == ("invented shunt", 2, "maps/good.toml")
    assert read.identity == Identity("input", 9, "u16", "high-first", 4711)
    assert read.readable == (Readable("input", 0, 12),)
    assert (volts.table, volts.address, volts.width, volts.scale) == ("input", 0, 1, 0.01)
    assert (volts.least, volts.most) == (8, 32)
    assert volts.missing == (0xFFFF,)
    assert (amps.type, amps.words, amps.width, amps.scale, amps.offset) == ("s32", "low-first", 2, -0.001, 0.5)
    assert amps.missing == (0x80000000, 0x7FFFFFFF)  # two's complement of the least 32-bit number


def test_what_is_left_out_takes_the_plain_default() -> None:
    point = load_register_map(one_point(""), "m").points[0]
    assert (point.scale, point.offset, point.missing, point.words) == (1.0, 0.0, (), "high-first")
    assert (point.least, point.most) == (QUANTITIES["bank_v"].least, QUANTITIES["bank_v"].most)


BROKEN = [
    (one_point("", "quantity"), "point[0].quantity"),
    (one_point('quantity = "soc_frac"'), "point[0].quantity"),
    (one_point("quantity = 3"), "point[0].quantity"),
    (one_point("", "table"), "point[0].table"),
    (one_point('table = "coil"'), "point[0].table"),
    (one_point("", "address"), "point[0].address"),
    (one_point("address = -1"), "point[0].address"),
    (one_point("address = 65536"), "point[0].address"),
    (one_point("address = true"), "point[0].address"),
    (one_point('address = 65535\ntype = "u32"'), "point[0].address"),
    (one_point("", "type"), "point[0].type"),
    (one_point('type = "u64"'), "point[0].type"),
    (one_point('words = "high-first"'), "point[0].words"),
    (one_point('type = "u32"\nwords = "swapped"'), "point[0].words"),
    (one_point("scale = 0"), "point[0].scale"),
    (one_point("scale = nan"), "point[0].scale"),
    (one_point('offset = "1"'), "point[0].offset"),
    (one_point("missing = 65536"), "point[0].missing"),
    (one_point("missing = -1"), "point[0].missing"),
    (one_point("missing = 1.5"), "point[0].missing"),
    (one_point("min = 20\nmax = 10"), "point[0].min"),
    (one_point("max = 500"), "point[0].max"),
    (one_point("max = inf"), "point[0].max"),
    (one_point("factor = 2"), "point[0].factor"),
    ("", "point"),
    ("point = 3", "point"),
    ("bridge = 101\n" + one_point(""), "bridge"),
    ("name = 5\n" + one_point(""), "name"),
    ("maker = 5\n" + one_point(""), "maker"),
    ("identity = 5\n" + one_point(""), "identity"),
    (one_point("") + '[identity]\ntable = "input"\naddress = 1\ntype = "f32"\nvalue = 1\n', "identity.type"),
    (one_point("") + '[identity]\ntable = "input"\naddress = 1\ntype = "u16"\n', "identity.value"),
    (one_point("") + '[[readable]]\ntable = "input"\naddress = 65530\ncount = 7\n', "readable[0].count"),
    (one_point("") + one_point("address = 1"), "point[1].quantity"),
    (one_point('type = "u32"') + one_point('quantity = "bank_a"\naddress = 1'), "point[1].address"),
    ("[[point", "(file)"),
]


@pytest.mark.parametrize(("text", "key"), BROKEN)
def test_each_way_to_break_a_map_names_file_key_and_what_is_allowed(text: str, key: str) -> None:
    told = mistakes_of(text)
    assert any(line.startswith(f"maps/m.toml: {key}: found ") and ", allowed is " in line for line in told), told


def test_every_mistake_is_told_at_once() -> None:
    told = mistakes_of(one_point('type = "u64"\nscale = 0\nfactor = 2\naddress = -4') + one_point('table = "coil"'))
    keys = {line.split(": ")[1] for line in told}
    assert keys >= {f"point[0].{k}" for k in ("type", "scale", "factor", "address")} | {"point[1].table"}


def test_the_error_is_of_the_drivers_own_root() -> None:
    assert issubclass(MapError, DriverError)


def test_two_quantities_may_share_exactly_the_same_register() -> None:
    assert isinstance(load_register_map(one_point("") + one_point('quantity = "load_v"'), "m"), RegisterMap)


EXAMPLES = sorted(Path(__file__).parents[2].joinpath("config/maps").glob("*.toml"))


@pytest.mark.parametrize("path", [path for path in EXAMPLES if "-text-" not in path.name], ids=str)
def test_the_example_maps_are_good(path: Path) -> None:
    assert load_register_map(path.read_text(), path.name).gives
