"""What can be wrong at a site, by name: each condition is a row that changes a few numbers of the site."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from types import MappingProxyType
from typing import Any


@dataclass(frozen=True, slots=True)
class Effects:
    """Everything a condition can change; the defaults are a site in good order.

    Factors multiply, everything else is added, flags are on or off.
    """

    panel_factor: float = 1.0  # of the light that reaches the panel
    sky_factor: float = 1.0  # of the light from the sky
    afternoon_factor: float = 1.0  # of the panel's light after local noon
    traffic_factor: float = 1.0
    transmit_factor: float = 1.0
    capacity_factor: float = 1.0
    wear_factor: float = 1.0  # of the bank's resistance
    vent_factor: float = 1.0  # how well the enclosure sheds heat
    stuck: bool = False
    dead: bool = False
    blocked: bool = False
    no_bank_thermometer: bool = False
    extra_a: float = 0.0  # on the load output
    extra_bank_a: float = 0.0  # straight from the bank
    set_point_v: float = 0.0
    lead_ohm: float = 0.0  # more, between controller and shunt
    post_ohm: float = 0.0  # more, at the bank's own post
    box_w: float = 0.0
    controller_w: float = 0.0
    air_k: float = 0.0
    backflow_a: float = 0.0


@dataclass(frozen=True, slots=True)
class Condition:
    """One row: what it is, what it changes at its usual strength, how long it lasts (None: until lifted)."""

    meaning: str
    effects: Effects
    for_s: float | None = None


CONDITIONS: Mapping[str, Condition] = MappingProxyType(
    {
        "stuck-transmitter": Condition("the transmitter stays keyed", Effects(stuck=True)),
        "silent-transmitter": Condition("the transmitter never keys", Effects(dead=True)),
        "weak-transmitter": Condition("the transmitter draws less than it did", Effects(transmit_factor=0.7)),
        "busy": Condition("an emergency: traffic about eight times the usual", Effects(traffic_factor=8.0)),
        "dirty-panel": Condition("dust or droppings on the panel", Effects(panel_factor=0.5)),
        "snow": Condition("snow lies on the panel", Effects(panel_factor=0.03)),
        "afternoon-shade": Condition("something new shades the panel after noon", Effects(afternoon_factor=0.2)),
        "no-panel": Condition("the panel's lead is off", Effects(panel_factor=0.0)),
        "dark-week": Condition("a week of thick cloud", Effects(sky_factor=0.15), for_s=7 * 86400.0),
        "no-charge": Condition("there is sun, but the controller does not charge", Effects(blocked=True)),
        "night-backflow": Condition("the bank drains into the dark panel", Effects(backflow_a=0.06)),
        "set-point-high": Condition("the charge voltage is set too high", Effects(set_point_v=0.6)),
        "set-point-low": Condition("the charge voltage is set too low", Effects(set_point_v=-0.7)),
        "extra-load": Condition("a load that should not be there, on the load output", Effects(extra_a=0.5)),
        "extra-load-on-bank": Condition("a load straight on the bank", Effects(extra_bank_a=0.5)),
        "hot-enclosure": Condition("the enclosure can't shed its heat", Effects(vent_factor=0.35, box_w=14.0)),
        "hot-controller": Condition("the controller's heat sink is blocked", Effects(controller_w=18.0)),
        "cold-snap": Condition("the air is 22 K colder", Effects(air_k=-22.0)),
        "corroded-lug": Condition("bad lug in the lead of controller and shunt", Effects(lead_ohm=0.12)),
        "corroded-post": Condition("bad lug on the bank's own post", Effects(post_ohm=0.06)),
        "tired-bank": Condition("lost capacity, more resistance", Effects(capacity_factor=0.65, wear_factor=2.2)),
        "thermometer-missing": Condition("the bank's thermometer is gone", Effects(no_bank_thermometer=True)),
    }
)


def joined(active: Iterable[Effects]) -> Effects:
    """Join the effects of several conditions: factors multiply, amounts add up, any flag counts."""
    whole = Effects()
    for effects in active:
        changed: dict[str, Any] = {}
        for spec in fields(Effects):
            mine, theirs = getattr(whole, spec.name), getattr(effects, spec.name)
            if isinstance(mine, bool):
                changed[spec.name] = mine or theirs
            else:
                changed[spec.name] = mine * theirs if spec.name.endswith("_factor") else mine + theirs
        whole = replace(whole, **changed)
    return whole
