"""Cold Fork Ridge: the invented site of the demonstration, and a month of weather worth looking at."""

from copy import deepcopy
from math import floor

from drivers.virtual.site import SitePlan, VirtualSite
from drivers.virtual.weather import DAY_S, Spell

DEMO_SEED = 24
DAYS = 30
DIP_TO = 0.44  # how low the dark days take the bank: a bit below the half mark
_DARK_FROM_DAY, _DARK_DAYS = 13, 4
_DARK_CLOUD = 0.90
_FAIR_BEFORE, _FAIR_AFTER = 3, 4  # days of fair weather around the dark ones
_FAIR_AT_END = 3  # and before now, so that the live part begins in a usual state
_COARSE_S = 60.0
_ROUNDS = 8  # of halving the range in which the dimming is sought


def cold_fork_ridge(
    *, now_utc_s: float, seed: int = DEMO_SEED, days: int = DAYS, dip_to: float | None = DIP_TO
) -> VirtualSite:
    """Make the demonstration's site, standing `days` before now.

    Whatever the season, once in the month some dark days take the reserve a bit below the half mark: how
    dark they must be is found by running those days ahead, in coarse steps, on copies of the site.

    Args:
        now_utc_s: where the past is to end, seconds since 1970 UTC.
        seed: of weather, traffic and noise.
        days: how much past there is; under 22 there are no ordered dark days.
        dip_to: the charge at the lowest, 0 to 1; None leaves the weather to chance.
    """
    start_s = floor(now_utc_s / 10.0) * 10.0 - days * DAY_S
    site = VirtualSite(seed=seed, start_utc_s=start_s, plan=SitePlan())
    if dip_to is None or days < 22:
        return site
    dark_s = start_s + _DARK_FROM_DAY * DAY_S
    light_s = dark_s + _DARK_DAYS * DAY_S
    now_s = start_s + days * DAY_S
    fair = (
        Spell(start_s, now_s, 0.20, share=0.55),  # no other day as dark as the ordered ones
        Spell(dark_s - _FAIR_BEFORE * DAY_S, dark_s, 0.15),
        Spell(light_s, light_s + _FAIR_AFTER * DAY_S, 0.08),
        Spell(now_s - _FAIR_AT_END * DAY_S, now_s + 0.5 * DAY_S, 0.25),
    )
    site.weather.spells.extend(fair)
    ahead = _copy(site)
    while ahead.utc_s < dark_s:
        ahead.advance(_COARSE_S)
    darkest, lightest = 0.0, 1.0
    for _ in range(_ROUNDS):
        dim = (darkest + lightest) / 2.0
        if _lowest(ahead, Spell(dark_s, light_s, _DARK_CLOUD, dim)) < dip_to:
            darkest = dim
        else:
            lightest = dim
    site.weather.spells.append(Spell(dark_s, light_s, _DARK_CLOUD, (darkest + lightest) / 2.0))
    return site


def _copy(site: VirtualSite) -> VirtualSite:
    return deepcopy(site, {id(site.plan): site.plan})


def _lowest(site: VirtualSite, spell: Spell) -> float:
    """Run a copy through a spell and the morning after; give the lowest charge seen."""
    trial = _copy(site)
    trial.weather.spells.append(spell)
    lowest = 1.0
    while trial.utc_s < spell.to_s + 0.5 * DAY_S:
        trial.advance(_COARSE_S)
        lowest = min(lowest, trial.bank.soc_frac)
    return lowest
