"""What `halfmark check` says: in plain words what was understood, or every mistake, on 80 columns."""

import io
from pathlib import Path

import pytest

from daemon.configuration import load_site
from daemon.configuration_grammar import WAYS_OUT
from daemon.sending.process import WAYS
from daemon.site_check import RIGHT, WRONG, check_text, run_check

CONFIG = Path(__file__).parents[2] / "config"
SITES = sorted(CONFIG.glob("*.toml"))


def check(path: Path, secrets: Path) -> tuple[int, str]:
    out = io.StringIO()
    code = run_check(path, secrets_folder=secrets, out=out)
    return code, out.getvalue()


def one_line(text: str) -> str:
    return " ".join(text.split())


def changed(tmp_path: Path, example: str, *swaps: tuple[str, str]) -> Path:
    text = (CONFIG / example).read_text(encoding="utf-8")
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8")
    if not (tmp_path / "maps").exists():
        (tmp_path / "maps").symlink_to(CONFIG / "maps")
    return path


@pytest.mark.parametrize("path", SITES, ids=lambda path: path.stem)
def test_each_example_is_right_and_fits_the_screen(tmp_path: Path, path: Path) -> None:
    code, text = check(path, tmp_path)
    assert code == RIGHT
    assert max(len(row) for row in text.splitlines()) < 80
    assert "Never go alone" in text
    assert "It replaces no fuse" in one_line(text)


def test_a_site_with_a_shunt_in_words(tmp_path: Path) -> None:
    text = one_line(check(CONFIG / "example-small-agm.toml", tmp_path)[1])
    assert "24 Ah agm, 6 cells in series (12 V). Half mark 0.5: warned when 12 Ah are left" in text
    assert "shunt bank_a flows between the bank and everything else, above zero when it charges" in text
    assert "controller panel_a flows from the panel to the controller" in text
    assert "load_a flows from the controller to the loads" in text
    assert "Bank current measured by shunt in the bank's own lead; the charge is counted by its own counter" in text
    assert "bank_v shunt; while it gives none, controller" in text
    assert "changed here: controller-hot (raise 68, clear 60)" in text
    assert "mail by mail.example.org (starttls) to trustees@example.org" in text
    assert "Not measured" not in text


def test_a_site_without_a_shunt_says_what_it_costs(tmp_path: Path) -> None:
    text = one_line(check(CONFIG / "example-no-shunt.toml", tmp_path)[1])
    assert "formed: controller charge_a - controller load_a - 0.083 A steady" in text
    assert "No shunt in the bank's own lead" in text
    assert "No bank thermometer" in text
    assert "an error of 0.017 A is reckoned with" in text  # a fifth of 0.083 A


def test_two_controllers_are_added_up(tmp_path: Path) -> None:
    text = one_line(check(CONFIG / "example-two-controllers-24v.toml", tmp_path)[1])
    assert "charge_a controller-east + controller-west" in text
    assert "12 cells in series (24 V)" in text


def test_lithium_has_its_own_caution(tmp_path: Path) -> None:
    text = one_line(check(CONFIG / "example-lithium.toml", tmp_path)[1])
    assert "never charge it below 0 C" in text
    assert "warned when 7.8 Ah are left, so 18.2 Ah may be used" in text  # 0.30 of 26 Ah
    assert "(12.8 V)" in text
    assert "hydrogen" not in text


def test_what_is_possible_and_not_usual_is_told(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        "example-small-agm.toml",
        ("absorb_v = 14.4", "absorb_v = 15.0"),
        ("charge_v_per_k = -0.024", "charge_v_per_k = 0"),
        ("/dev/serial/by-id/usb-EXAMPLE-if00", "/dev/ttyUSB0"),
        ("every_s = 1 ", "every_s = 5 "),
        ("[instrument.shunt]", '[line.spare]\nport = "/dev/serial/by-id/x"\n[instrument.shunt]'),
    )
    code, text = check(path, tmp_path)
    told = one_line(text)
    assert code == RIGHT
    assert "absorption at 15 V is outside of the usual 14.4 to 14.7 V for 6 cells agm" in told
    assert "does not compensate for temperature" in told
    assert "may get another number after a restart" in told
    assert "single transmissions of repeater are missed" in told
    assert "Line spare has no instrument" in told


def test_what_was_assumed_is_told(tmp_path: Path) -> None:
    path = changed(tmp_path, "example-small-agm.toml", ("charge_v_per_k = -0.024", ""), ("half_mark = 0.50", ""))
    told = one_line(check(path, tmp_path)[1])
    assert "bank.charge_v_per_k is not given: -0.024 is assumed." in told
    assert "bank.half_mark is not given: 0.5 is assumed." in told


def test_a_site_without_a_way_out_is_told_where_notices_go(tmp_path: Path) -> None:
    told = one_line(check(CONFIG / "demo-site.toml", tmp_path)[1])
    assert "notices go to the journal of this computer, where nobody far away sees them" in told


def test_every_mistake_is_numbered_and_the_code_is_two(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        "example-small-agm.toml",
        ("latitude = 38.412", "latitude = 138.412"),
        ("cells = 6", "cels = 6"),
        ('driver = "register-map"', 'driver = "register-mpa"'),
    )
    code, text = check(path, tmp_path)
    told = one_line(text)
    assert code == WRONG
    assert told.startswith("5 mistakes; all are told at once, nothing was started or changed.")
    assert str(path) in text.replace("\n", "")
    for number, words in enumerate(
        [
            "site.latitude = 138.412: a number from -90 to 90",
            "bank.cells: must be given",
            'bank.cels = 6: no such key; did you mean "cells"?',
            'instrument.shunt.driver = "register-mpa"',
            'instrument.controller.driver = "register-mpa"',
        ],
        1,
    ):
        assert f"{number}. {words}" in told
    assert "Drivers there are: register-map (serial" in told
    assert max(len(row) for row in text.splitlines() if str(tmp_path) not in row) < 80


def test_a_missing_file_is_one_mistake(tmp_path: Path) -> None:
    code, text = check(tmp_path / "none.toml", tmp_path)
    assert code == WRONG
    assert one_line(text).startswith("1 mistake;")
    assert "does not exist" in text


def test_a_secret_that_is_not_there_yet_is_told_and_is_no_mistake(tmp_path: Path) -> None:
    code, text = check(CONFIG / "example-small-agm.toml", tmp_path)
    assert code == RIGHT
    assert "Secret mail-password: not there yet" in text


def test_a_secret_that_is_right_is_told(tmp_path: Path) -> None:
    (tmp_path / "mail-password").write_text("x\n")
    (tmp_path / "mail-password").chmod(0o600)
    code, text = check(CONFIG / "example-small-agm.toml", tmp_path)
    assert code == RIGHT
    assert "Secret mail-password: there, and closed to others." in text


def test_a_secret_others_can_read_is_a_mistake_and_never_shown(tmp_path: Path) -> None:
    (tmp_path / "mail-password").write_text("hunter2\n")
    (tmp_path / "mail-password").chmod(0o644)
    code, text = check(CONFIG / "example-small-agm.toml", tmp_path)
    assert code == WRONG
    assert "lets others read it: chmod 0600" in one_line(text)
    assert "hunter2" not in text


def test_a_port_that_is_there_is_not_complained_about(tmp_path: Path) -> None:
    path = changed(tmp_path, "demo-site.toml", ("/dev/serial/by-id/usb-EXAMPLE-if00", "/dev/null"))
    assert "nothing is plugged in" not in check(path, tmp_path)[1]
    assert "nothing is plugged in as /dev/serial" in one_line(check(CONFIG / "demo-site.toml", tmp_path)[1])


def test_hostile_names_reach_no_terminal(tmp_path: Path) -> None:
    path = changed(tmp_path, "demo-site.toml", ('name = "Cold Fork Ridge"', 'name = "a\\u001b]0;x\\u0007"'))
    text = check(path, tmp_path)[1]
    assert "\x1b" not in text
    assert "\x07" not in text


def test_the_ways_out_the_check_knows_are_those_the_sender_has() -> None:
    assert set(WAYS_OUT) == set(WAYS)


def test_a_site_at_the_equator_in_the_west_and_south(tmp_path: Path) -> None:
    path = changed(tmp_path, "demo-site.toml", ("latitude = 37.284", "latitude = -7.5"))
    assert "7.5000 S 81.1390 W" in check_text(load_site(path))
