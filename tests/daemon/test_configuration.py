"""A right site file becomes a complete site."""

from pathlib import Path
from textwrap import dedent

import pytest

from daemon.configuration import load_maps, load_replay_site, load_site
from daemon.configuration_text import FILE_MOST
from daemon.errors import ConfigError
from shared.site import AlertChange, Central, Line, Load, Place, RegularNotices, WayOut
from shared.wiring import bank_current_plan

MAPS = Path(__file__).parents[2] / "config" / "maps"

# Every table and key whose name is fixed for those who build on it.
WHOLE = """
    [site]
    name = "Cold Fork Ridge"
    latitude = 37.284
    longitude = -81.139
    timezone = "America/New_York"
    panel_w = 30
    panel_tilt_deg = 55
    [bank]
    chemistry = "agm"
    capacity_ah = 24
    cells = 6
    half_mark = 0.50
    absorb_v = 14.4
    float_v = 13.7
    charge_v_per_k = -0.024
    [line.rs485]
    port = "/dev/serial/by-id/usb-EXAMPLE-if00"
    baud = 19200
    [instrument.shunt]
    line = "rs485"
    driver = "register-map"
    map = "maps/example-shunt.toml"
    unit = 2
    every_s = 1
    measures = "bank"
    [load.repeater]
    idle_a = 0.13
    transmit_a = 1.6
    [alert.controller-hot]
    raise = 70
    clear = 65
    [way-out.group-mail]
    kind = "mail"
    server = "mail.example.org"
    to = ["trustees@example.org"]
    secret = "mail-password"
    [central]
    url = "http://influx.example.org:8086"
    org = "hill"
    bucket = "sites"
    secret = "influx-token"
    [notices]
    heartbeat_h = 12
    summary = true
    [clock]
    trust = ["kernel", "rtc", "operator"]
    [replay.columns]
    bank_v = "volts"
    time_s = "when"
"""

REPLAY = """
    [site]
    name = "Invented"
    latitude = 0
    longitude = 0
    [bank]
    chemistry = "lifepo4"
    capacity_ah = 26
    cells = 4
    absorb_v = 14.2
    float_v = 13.5
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "site.toml"
    path.write_text(dedent(text), encoding="utf-8")
    (folder / "maps").symlink_to(MAPS)
    return path


def test_every_fixed_name_finds_its_place(tmp_path: Path) -> None:
    path = write(tmp_path, WHOLE)
    site = load_site(path)
    assert site.place == Place("Cold Fork Ridge", 37.284, -81.139, "America/New_York", 30.0, 55.0)
    assert (site.bank.capacity_ah, site.bank.cells, site.bank.charge_v_per_k) == (24.0, 6, -0.024)
    assert site.lines["rs485"] == Line("rs485", "/dev/serial/by-id/usb-EXAMPLE-if00", baud=19200)
    assert site.instruments["shunt"].gives == ("bank_v", "bank_a", "bank_ah_counter", "bank_c")
    assert site.instruments["shunt"].measures == {"bank_a": ("bank", "bank")}
    assert site.loads["repeater"] == Load("repeater", 0.13, 1.6, "controller")
    assert site.alerts["controller-hot"] == AlertChange("controller-hot", 70.0, 65.0)
    assert site.ways_out["group-mail"] == WayOut(
        "group-mail", "mail", server="mail.example.org", to=("trustees@example.org",), secret="mail-password"
    )
    assert site.central == Central("http://influx.example.org:8086", "hill", "sites", "influx-token")
    assert site.notices == RegularNotices(heartbeat_h=12.0, summary=True)
    assert site.clock_trust == ("kernel", "rtc", "operator")
    assert site.replay_columns == {"bank_v": "volts", "time_s": "when"}
    assert (site.source, site.commit_s, site.assumed) == (str(path), 10.0, ())
    assert set(load_maps(site)) == {"shunt"}


def test_whole_numbers_become_floats_where_a_quantity_has_digits(tmp_path: Path) -> None:
    site = load_site(write(tmp_path, WHOLE))
    assert type(site.bank.capacity_ah) is float
    assert type(site.instruments["shunt"].every_s) is float
    assert type(site.bank.cells) is int


def test_a_replay_needs_no_lines_and_no_instruments(tmp_path: Path) -> None:
    path = write(tmp_path, REPLAY)
    site = load_replay_site(path)
    assert (site.lines, site.instruments) == ({}, {})
    with pytest.raises(ConfigError) as caught:
        load_site(path)
    assert [mistake.key for mistake in caught.value.mistakes] == ["line", "instrument"]


def test_a_lithium_bank_has_its_own_defaults_and_they_are_told(tmp_path: Path) -> None:
    site = load_replay_site(write(tmp_path, REPLAY))
    assert (site.bank.half_mark, site.bank.charge_v_per_k) == (0.30, 0.0)
    assert site.assumed == ("bank.half_mark", "bank.charge_v_per_k")


def test_figures_off_the_makers_sheet_reach_the_bank(tmp_path: Path) -> None:
    own = "charge_v_per_k = -0.024\n    rest_full_v = 12.95\n    rest_half_v = 12.3\n    health_frac = 0.85"
    site = load_site(write(tmp_path, WHOLE.replace("charge_v_per_k = -0.024", own)))
    assert (site.bank.rest_full_v, site.bank.rest_half_v, site.bank.health_frac) == (12.95, 12.3, 0.85)
    assert site.bank.resistance_ohm is None


def test_a_lead_acid_bank_has_its_own_defaults_and_they_are_told(tmp_path: Path) -> None:
    lead = REPLAY.replace("lifepo4", "flooded").replace("cells = 4", "cells = 12").replace("14.2", "28.8")
    site = load_replay_site(write(tmp_path, lead.replace("13.5", "27.0")))
    # 4 mV per kelvin and cell is the middle of the 3 to 5 that sources give; 12 cells make 48.
    assert site.bank.charge_v_per_k == pytest.approx(-0.048)
    assert site.bank.half_mark == 0.50


def test_a_name_may_be_written_in_any_script(tmp_path: Path) -> None:
    site = load_replay_site(write(tmp_path, REPLAY.replace("Invented", "Großer Spitz 山")))
    assert site.place.name == "Großer Spitz 山"


def test_the_slowest_answer_follows_the_time_allowed(tmp_path: Path) -> None:
    site = load_site(write(tmp_path, WHOLE.replace("baud = 19200", "reply_s = 1.0")))
    assert site.lines["rs485"].slowest_s == pytest.approx(1.1)


def test_a_shunt_in_the_loads_wire_is_no_bank_current(tmp_path: Path) -> None:
    text = (
        WHOLE
        + """
    [instrument.controller]
    line = "rs485"
    driver = "register-map"
    map = "maps/example-controller.toml"
    unit = 1
    every_s = 10
    [prefer]
    bank_v = "controller"
    """
    )
    text = text.replace('measures = "bank"', 'measures = { bank_a = "bank-loads" }')
    plan = bank_current_plan(load_site(write(tmp_path, text)))
    assert plan.from_shunt is None
    latest = {("controller", "charge_a"): 2.0, ("controller", "load_a"): 0.5, ("shunt", "bank_a"): -0.3}
    assert plan.form(latest) == pytest.approx(1.2)  # 2.0 in, 0.5 and 0.3 out


def test_a_file_of_the_largest_size_is_still_read(tmp_path: Path) -> None:
    path = write(tmp_path, REPLAY)
    path.write_text(path.read_text() + "#" * (FILE_MOST - path.stat().st_size))
    assert load_replay_site(path).place.name == "Invented"
