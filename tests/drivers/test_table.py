"""The table of drivers: every row can be made on every line it names, and nothing is imported before."""

import subprocess
import sys

import pytest

from drivers.table import DRIVERS, InstrumentMap, make_line, make_listened
from servers.text_forms import BARE
from shared.site import Instrument, Line

MAPS = {
    "register-map": '[[point]]\nquantity = "bank_v"\ntable = "input"\naddress = 1\ntype = "u16"\n',
    "text-lines": BARE,
}
LINES = {"serial": Line("l", port="/dev/null"), "tcp": Line("l", tcp="192.0.2.10:502", framing="tcp")}


@pytest.mark.parametrize("name", DRIVERS)
def test_every_row_can_be_made_on_every_line_it_names(name: str) -> None:
    spec = DRIVERS[name]
    found = spec.load_map(MAPS[name], "m")
    assert found.gives == tuple(point.quantity for point in found.points)
    row = Instrument("x", "l", name, 2.0, unit=1 if "unit" in spec.needs else None, map="m")
    assert all(getattr(row, need) is not None for need in spec.needs)
    assert all(getattr(row, key) is None for key in spec.has_no)
    make = make_line if spec.style == "asked" else make_listened
    other = make_listened if spec.style == "asked" else make_line
    maps: dict[str, InstrumentMap] = {"x": found}
    for kind in spec.lines:
        link, instruments = make(LINES[kind], [row], maps, clock=lambda: 0.0)
        assert not link.is_up
        assert [(one.name, one.every_s) for one in instruments] == [("x", 2.0)]
        with pytest.raises(ValueError, match="listened to"):
            other(LINES[kind], [row], maps, clock=lambda: 0.0)


def test_checking_a_site_file_brings_no_client_along() -> None:
    code = "import sys; import daemon.configuration, daemon.site_check; print(' '.join(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert "drivers.table" in loaded
    assert not {"pymodbus", "serial", "asyncio"} & set(loaded)
