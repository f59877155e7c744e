"""Every example in config/ is a site as it stands, and every map there is used by one."""

from pathlib import Path

import pytest

from daemon.configuration import load_maps, load_replay_site, load_site
from shared.wiring import bank_current_plan, sources

CONFIG = Path(__file__).parents[2] / "config"
SITES = sorted(CONFIG.glob("*.toml"))


def test_there_are_examples() -> None:
    assert {path.name for path in SITES} >= {
        "demo-site.toml",
        "example-small-agm.toml",
        "example-no-shunt.toml",
        "example-two-controllers-24v.toml",
        "example-lithium.toml",
    }


@pytest.mark.parametrize("path", SITES, ids=lambda path: path.stem)
def test_each_example_is_a_whole_site(path: Path) -> None:
    site = load_site(path)
    assert bank_current_plan(site).form({}) is None
    assert sources(site)["bank_v"]
    assert load_replay_site(path) == site
    assert {name: one.gives for name, one in load_maps(site).items()} == {
        name: one.gives for name, one in site.instruments.items()
    }


def test_each_map_is_used() -> None:
    used = {(CONFIG / str(one.map)).resolve() for path in SITES for one in load_site(path).instruments.values()}
    assert used == {path.resolve() for path in (CONFIG / "maps").glob("*.toml")}


def test_the_example_without_a_shunt_adds_up() -> None:
    plan = bank_current_plan(load_site(CONFIG / "example-no-shunt.toml"))
    latest = {("controller", "charge_a"): 1.2, ("controller", "load_a"): 0.13}
    assert plan.from_shunt is None
    assert plan.form(latest) == pytest.approx(1.2 - 0.13 - 0.083)  # by hand: charged less both loads


def test_two_controllers_are_both_sources_of_the_charge() -> None:
    site = load_site(CONFIG / "example-two-controllers-24v.toml")
    assert sources(site)["charge_a"] == ("controller-east", "controller-west")
    assert bank_current_plan(site).from_shunt == "shunt"


def test_the_lithium_example_keeps_the_voltage_at_every_temperature() -> None:
    bank = load_site(CONFIG / "example-lithium.toml").bank
    assert (bank.charge_v_per_k, bank.half_mark) == (0.0, 0.30)
