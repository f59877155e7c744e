"""The rules about the bank's health: resistance, capacity, how full it gets, how it is charged."""

from types import MappingProxyType

from shared.rule import HOUR_S, Rule

HEALTH_RULES = (
    Rule(
        name="resistance-jump",
        fact="ohm_jump",
        kind="high",
        raise_at=0.40,
        clear_at=0.15,
        dwell_s=0.0,
        severity="act",
        unit="share",
        least=0.1,
        most=10.0,
        title="bank's resistance has jumped",
        value_name="resistance above that of the week before",
        meaning="Each keying pulls the voltage down further than a week ago, seen at the bank's own meter: a joint at "
        "its posts has come loose or corrodes, or a cell is failing. A bad joint gets hot at the transmit current.",
        to_do="At the next visit feel the lugs for warmth only after the transmitter is off, look for green or white "
        "growth, clean and tighten. If the joints are good, measure each block under load: one that falls further "
        "than the others is the tired one. `halfmark bank` tells the figures.",
        source="well above what temperature, depth and scatter leave unsure (about 15 %); judgement",
        touches=("site", "bank"),
    ),
    Rule(
        name="resistance-rise",
        fact="ohm_rise",
        kind="high",
        raise_at=0.60,
        clear_at=0.40,
        dwell_s=24.0 * HOUR_S,
        severity="advice",
        unit="share",
        least=0.1,
        most=10.0,
        title="bank's resistance has risen",
        value_name="resistance above the first that was seen",
        meaning="The bank's resistance has grown since halfmark first saw it: it ages, or a joint slowly corrodes. "
        "Capacity is usually lost along with it.",
        to_do="Look at the capacity in `halfmark bank`, clean the joints at the next visit, plan a new bank before the "
        "next dark season.",
        source="50 % above new is a usual limit at which a block is tested or replaced (trade practice, from memory)",
        touches=("site", "bank"),
        covered_by=("resistance-jump",),
    ),
    Rule(
        name="lead-resistance",
        fact="lead_mohm",
        kind="high",
        raise_at=40.0,
        clear_at=25.0,
        dwell_s=3600.0,
        severity="act",
        unit="mohm",
        least=1.0,
        most=10_000.0,
        title="bad joint between controller and bank",
        value_name="resistance of the lead between controller and bank",
        meaning="The voltage at the controller and that at the bank part with the current: the lead between them, with "
        "its lugs and fuse holder, has too much resistance. The bank itself is not to blame. It gets too little "
        "charge, and the joint gets hot.",
        to_do="With the panel disconnected first, then the bank, in the order the controller's manual gives: look at "
        "every lug, the fuse holder and the breaker on the way; clean, crimp anew, tighten.",
        source="80 mV at 2 A, several times that of a sound lead of some metres; common practice, no source",
        touches=("site", "bank"),
        needs=("bank_v",),
    ),
    Rule(
        name="capacity-low",
        fact="capacity_share",
        kind="low",
        raise_at=0.80,
        clear_at=0.88,
        dwell_s=24.0 * HOUR_S,
        severity="advice",
        unit="share",
        least=0.1,
        most=1.2,
        title="bank has lost capacity",
        value_name="capacity over the nameplate, at the best of its error",
        meaning="Even at the best of what is known the bank holds clearly less than when it was new. All reserves are "
        "shorter by as much; from here on it usually goes faster.",
        to_do="Measure it once by a discharge test in the workshop (`halfmark measured`), look at what wears it in "
        "`halfmark bank`, and plan a new one before the dark season.",
        source="80 % of the rating is the usual end of life of stationary lead-acid batteries (standby practice, from "
        "memory)",
        touches=("site", "bank"),
    ),
    Rule(
        name="not-full",
        fact="days_since_full",
        kind="high",
        raise_at=14.0,
        clear_at=1.0,
        dwell_s=0.0,
        severity="advice",
        unit="d",
        least=1.0,
        most=400.0,
        title="bank not truly full for long",
        value_name="days since the bank was truly full",
        meaning="Lead-acid that is not charged to the full for weeks sulfates and loses capacity for good; it is the "
        "leading cause of early failure of banks at panels.",
        to_do="See which it is: too little sun or panel, too much load, or a charger that ends absorption too early or "
        "at too low a voltage. Charge it to the full once by another source, in open air.",
        source="incomplete recharge as leading cause: Hund, Sandia, abstract verified; two weeks common practice, no "
        "source",
        touches=("site", "bank"),
        by_chemistry=MappingProxyType({"lifepo4": (90.0, 1.0)}),
    ),
    Rule(
        name="charge-voltage-wrong",
        fact="charge_v_off",
        kind="high",
        raise_at=0.25,
        clear_at=0.15,
        dwell_s=1800.0,
        severity="act",
        unit="V",
        least=0.05,
        most=5.0,
        title="charge voltage is wrong",
        value_name="absorption voltage off its set-point or off what the chemistry takes, for a bank of 12 V",
        meaning="The voltage at which the charger really holds the bank is not the one of the site file at that "
        "temperature, or not one that this chemistry takes. Too high dries a bank out and makes gas; too low never "
        "fills it.",
        to_do="`halfmark bank` tells which way it is off. Check the charger's chemistry setting, its temperature probe "
        "and the slope. If it is too high, lower it soon. If it is too low, find out why first: never raise a "
        "charge voltage on a bank in a closed box.",
        source="more than meters, probe and set-points are usually apart; common practice, no source",
        touches=("site", "bank"),
    ),
)
