"""The judge of each step, on looks made up by hand."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import attrs
import pytest

from daemon.commissioning.findings import DONE, UNSURE, WRONG
from daemon.commissioning.steps import STEPS, Verdict
from daemon.configuration import load_site
from daemon.example_files import example
from daemon.live_look import LiveLook
from shared.readings import Reading
from shared.site import Load, Site

BY_NAME = {step.name: step for step in STEPS}


@pytest.fixture
def site(tmp_path: Path) -> Site:
    (tmp_path / "maps").mkdir()
    for name in ("maps/example-shunt.toml", "maps/example-controller.toml"):
        (tmp_path / name).write_text(example(name))
    (tmp_path / "site.toml").write_text(example("demo-site.toml"))
    return load_site(tmp_path / "site.toml")


class Desk:
    def __init__(self, site: Site, **earlier: float) -> None:
        self.site = site
        self.earlier = earlier
        self.ways: tuple[int, str] | None = None
        self.told: Mapping[str, object] = {"trusted": False}

    def clock(self) -> Mapping[str, object]:
        return self.told

    def try_ways(self) -> tuple[int, str] | None:
        return self.ways

    def figure(self, step: str, name: str) -> float | None:
        return self.earlier.get(name)


def shunt(*bank_a: float) -> LiveLook:
    found = LiveLook("service")
    for n, value in enumerate(bank_a):
        found.add(Reading("shunt", 10.0 + n, {"bank_v": 12.8, "bank_a": value}))
    return found


def whole(bank_a: float, charge_a: float, load_a: float = 0.13, panel_w: float | None = None) -> LiveLook:
    found = LiveLook("service")
    panel_w = charge_a * 13.0 / 0.9 if panel_w is None else panel_w
    for n in range(3):
        values = {"charge_a": charge_a, "load_a": load_a, "panel_w": panel_w}
        found.add(Reading("controller", 10.0 + 10 * n, values))
        found.add(Reading("shunt", 10.3 + 10 * n, {"bank_v": 13.0, "bank_a": bank_a}))
    return found


def judged(desk: Desk, step: str, looks: Sequence[LiveLook], **answers: float) -> Verdict:
    return BY_NAME[step].judge(desk, looks, answers)


STILL = (0.007, 0.009, 0.006, 0.008, 0.007)


@pytest.mark.parametrize(
    ("bank_a", "stays_a", "outcome"),
    [
        (STILL, 0.0, DONE),
        (tuple(a - 0.4 for a in STILL), 0.4, DONE),  # this computer's own 0.4 A, told
        (tuple(a - 0.4 for a in STILL), 0.0, WRONG),
        ((0.0, 0.2, -0.2, 0.2, -0.2), 0.0, WRONG),
        ((0.0, 0.0), 0.0, UNSURE),
        ((), 0.0, UNSURE),
    ],
)
def test_zero(site: Site, bank_a: tuple[float, ...], stays_a: float, outcome: str) -> None:
    verdict = judged(Desk(site), "shunt-zero", [shunt(*bank_a)], **({"stays_a": stays_a} if stays_a else {}))
    assert verdict.outcome == outcome


def test_zero_keeps_offset_and_noise(site: Site) -> None:
    figures = judged(Desk(site), "shunt-zero", [shunt(*STILL)]).figures
    # Mean and population standard deviation of the five values, by hand.
    assert figures == pytest.approx({"offset_a": 0.0074, "noise_a": 0.00102}, abs=1e-5)


@pytest.mark.parametrize(
    ("bank_a", "outcome", "words"),
    [(-0.13, DONE, "falls below zero"), (0.15, WRONG, "bank_a scale = -0.001"), (0.0, UNSURE, "no load is seen")],
)
def test_sign(site: Site, bank_a: float, outcome: str, words: str) -> None:
    verdict = judged(Desk(site, offset_a=0.007, noise_a=0.003), "sign", [shunt(*[bank_a] * 6)])
    assert verdict.outcome == outcome
    assert words in verdict.words


def test_under_sun_neither_zero_nor_sign_is_judged(site: Site) -> None:
    """A bank that charges under a covered panel would be called a turned shunt."""
    for step in ("shunt-zero", "sign"):
        verdict = judged(Desk(site), step, [sunny()])
        assert verdict.outcome == UNSURE and "still brings 2.00 A" in verdict.words


def sunny() -> LiveLook:
    found = shunt(*[1.87] * 6)
    found.add(Reading("controller", 12.0, {"charge_a": 2.0, "load_a": 0.13}))
    return found


def test_sign_does_not_take_an_offset_for_a_load(site: Site) -> None:
    assert judged(Desk(site), "sign", [shunt(*[-0.045] * 6)]).outcome == DONE
    assert judged(Desk(site, offset_a=-0.045, noise_a=0.003), "sign", [shunt(*[-0.045] * 6)]).outcome == UNSURE


@pytest.mark.parametrize(
    ("idle_a", "keyed_a", "outcome", "words"),
    [
        (-0.13, -1.60, DONE, "adds 1.47 A"),
        (1.00, -0.47, DONE, "adds 1.47 A"),  # under sun as well, as long as it is steady
        (-0.13, -3.10, WRONG, "Set transmit_a = 3.10"),
        (-0.13, -0.13, UNSURE, "no transmission is seen"),
    ],
)
def test_keying(site: Site, idle_a: float, keyed_a: float, outcome: str, words: str) -> None:
    # The file says 0.13 A idle and 1.6 A keyed: 1.47 A more.
    keyed = shunt(idle_a, *[keyed_a] * 7)  # the first reading may still be from before
    verdict = judged(Desk(site), "key", [shunt(*[idle_a] * 8), keyed])
    assert verdict.outcome == outcome
    assert words in verdict.words


def test_keying_is_needless_without_a_radio(site: Site) -> None:
    quiet = attrs.evolve(site, loads={"router": Load("router", 0.3)})
    assert BY_NAME["key"].needless(site) is None
    assert "transmit_a" in (BY_NAME["key"].needless(quiet) or "")


@pytest.mark.parametrize(
    ("open_", "outcome", "words"),
    [
        (whole(1.87, 2.0), DONE, "panel, controller and bank close"),
        (whole(-0.13, 0.0), WRONG, "adds too little"),
        (whole(0.9, 2.0), WRONG, "does not reach the bank"),
        (whole(1.87, 2.0, panel_w=10.0), WRONG, "same power"),
        (LiveLook("service"), UNSURE, "no current"),
    ],
)
def test_panel(site: Site, open_: LiveLook, outcome: str, words: str) -> None:
    verdict = judged(Desk(site), "panel", [whole(-0.13, 0.0), open_])
    assert (verdict.outcome, words in verdict.words) == (outcome, True), verdict.words


@pytest.mark.parametrize(
    ("answers", "outcome"),
    [
        ({"absorb_v": 14.4, "float_v": 13.7}, DONE),
        ({"absorb_v": 14.45}, DONE),
        ({"absorb_v": 14.8, "float_v": 13.7}, WRONG),
        ({}, UNSURE),
    ],
)
def test_set_points(site: Site, answers: dict[str, float], outcome: str) -> None:
    assert judged(Desk(site), "set-points", [], **answers).outcome == outcome


def test_clock_instruments_and_ways_out(site: Site) -> None:
    desk = Desk(site)
    assert judged(desk, "clock", []).outcome == WRONG
    desk.told = {"trusted": True, "source": "operator"}
    assert judged(desk, "clock", []).outcome == DONE
    assert judged(desk, "instruments", [whole(1.0, 1.0)]).outcome == DONE
    assert judged(desk, "instruments", [shunt(1.0)]).outcome == WRONG
    assert judged(desk, "ways-out", []).outcome == UNSURE
    desk.ways = (3, "mail: no route\n")
    assert judged(desk, "ways-out", []) == Verdict(WRONG, "mail: no route", {})
    desk.ways = (0, "mail: taken\n")
    assert judged(desk, "ways-out", []).outcome == DONE


def test_where_work_can_hurt_the_step_says_so() -> None:
    words = {step.name: " ".join(step.cautions) for step in STEPS}
    assert "licence" in words["key"] and "identify" in words["key"]
    for name in ("shunt-zero", "panel", "set-points"):
        assert "below freezing" in words[name]
    assert "panel last" in words["shunt-zero"]
