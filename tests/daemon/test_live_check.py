"""`check --live`: on made-up looks, and on the simulated site with the service up and down."""

import io
from collections.abc import Callable
from pathlib import Path

import attrs
import pytest

from daemon.configuration import load_site
from daemon.errors import ServiceError
from daemon.example_files import example
from daemon.live_check import Finding, current_findings, instrument_findings, run_live_check
from daemon.live_look import LOOK_MOST_S, LiveLook, look_time_s
from daemon.main import main
from drivers.virtual.faults import Fault, ListedFaults
from servers.site_rig import SiteRig
from shared.readings import Reading
from shared.site import Load, Site

NOBODY: Callable[[str], str] | None = None


@pytest.fixture
def site(tmp_path: Path) -> Site:
    (tmp_path / "maps").mkdir()
    for name in ("maps/example-shunt.toml", "maps/example-controller.toml"):
        (tmp_path / name).write_text(example(name))
    (tmp_path / "site.toml").write_text(example("demo-site.toml"))
    return load_site(tmp_path / "site.toml")


def seen(bank_a: float, charge_a: float, load_a: float, **more: float) -> LiveLook:
    found = LiveLook("service")
    for n in range(3):
        found.add(Reading("controller", 10.0 * n, {"charge_a": charge_a, "load_a": load_a, **more}))
        found.add(Reading("shunt", 10.0 * n + 0.3, {"bank_v": 12.8, "bank_a": bank_a}))
    return found


def findings(site: Site, look: LiveLook, said: str | None = None) -> list[Finding]:
    return list(current_findings(site, look, NOBODY if said is None else lambda question: said or ""))


def test_currents_that_close_prove_the_sign(site: Site) -> None:
    assert [finding.good for finding in findings(site, seen(1.87, 2.0, 0.13))] == [True, True]


def test_a_turned_shunt_is_told_with_the_way_to_turn_it(site: Site) -> None:
    currents, sign = findings(site, seen(1.6, 0.0, 1.6, panel_w=0.0))
    assert (currents.good, sign.good) == (False, False)
    assert "example-shunt.toml" in sign.words and "bank_a scale = -0.001" in sign.words
    assert "bank_ah_counter scale = -" in sign.words and "halfmark reload" in sign.words


def test_charging_at_night_is_a_turned_sign_even_when_nothing_else_can_tell(site: Site) -> None:
    unmeasured = attrs.evolve(site, loads={"repeater": Load("repeater", 0.13, 1.6, "bank")})
    currents, sign = findings(unmeasured, seen(0.4, 0.0, 0.0, panel_w=0.0))
    assert currents.good is None and "repeater" in currents.words
    assert sign.good is False and "no panel brings anything" in sign.words


@pytest.mark.parametrize(("said", "good"), [("c", True), ("d", False), ("", None), ("?", None), (None, None)])
def test_a_sign_nothing_proves_is_asked_for(site: Site, said: str | None, good: bool | None) -> None:
    unmeasured = attrs.evolve(site, loads={"repeater": Load("repeater", 0.13, 1.6, "bank")})
    _, sign = findings(unmeasured, seen(1.2, 2.0, 0.0, panel_w=30.0), said)
    assert sign.good is good


def test_currents_that_do_not_close_are_no_proof_of_a_sign(site: Site) -> None:
    currents, sign = findings(site, seen(0.9, 2.0, 0.13, panel_w=30.0))
    assert currents.good is False and "load" in currents.words
    assert sign.good is None


def test_silent_and_doubtful_instruments_are_told(site: Site) -> None:
    look = LiveLook("lines", why_silent={"controller": "nothing\x1b came back"})
    look.add(Reading("shunt", 1.0, {"bank_v": 12.8}, {"bank_a": "900 A is above 500"}, ("bank_c",)))
    shunt, controller = instrument_findings(site, look)
    assert shunt.good is False and "900 A" in shunt.words and "not available: bank_c" in shunt.words
    assert controller.good is False and "nothing? came back" in controller.words


def test_a_look_waits_for_the_slowest_within_limits(site: Site) -> None:
    assert look_time_s(site) == 35.0
    slow = {name: attrs.evolve(row, every_s=3600.0) for name, row in site.instruments.items()}
    assert look_time_s(attrs.evolve(site, instruments=slow)) == LOOK_MOST_S


def checked(rig: SiteRig) -> tuple[int, str]:
    out = io.StringIO()
    return run_live_check(rig.site_file, runtime=rig.folders.runtime, out=out), out.getvalue()


def test_the_simulated_site_is_right_with_the_service_up_and_down(tmp_path: Path) -> None:
    with SiteRig(tmp_path / "site") as rig:
        code, told = checked(rig)
        assert code == 0, told
        assert "straight at the lines" in told and "currents close" in told
        service = rig.start()
        service.wait_until_reading()
        code, told = checked(rig)
        assert code == 0, told
        assert "through the running service" in told and told.count("[ok]") == 4
        assert service.stop() == 0


def test_a_turned_shunt_and_a_dead_controller_end_with_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with SiteRig(tmp_path / "site") as rig:
        shunt_map = rig.folder / "maps/example-shunt.toml"
        before, _, after = shunt_map.read_text().partition('quantity = "bank_a"')
        shunt_map.write_text(before + 'quantity = "bank_a"' + after.replace("scale = 0.001", "scale = -0.001", 1))
        assert main(["check", "--live", str(rig.site_file), "--state", str(rig.folders.state)]) == 1
        told = capsys.readouterr().out
        assert "bank_a scale = 0.001 (now -0.001)" in " ".join(told.split())
    faults = ListedFaults([Fault("silent", lasts=10_000)], unit=1)
    with SiteRig(tmp_path / "other", faults=faults) as rig:
        code, told = checked(rig)
    assert code == 1
    assert "controller on rs485 does not answer" in told


def test_a_service_that_may_not_be_asked_is_not_gone_around(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two programs on one serial line would spoil each other's answers."""

    def refuse(*_: object) -> dict[str, object]:
        raise ServiceError("service may not be asked: no permission")

    monkeypatch.setattr("daemon.live_look.ask", refuse)
    with SiteRig(tmp_path / "site") as rig, pytest.raises(ServiceError, match="may not"):
        checked(rig)
