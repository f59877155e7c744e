"""The rules about the heat of what stands beside the bank, and about heat to come."""

from shared.rule import HOUR_S, Rule

HEAT_RULES = (
    Rule(
        name="controller-hot",
        fact="controller_c",
        needs=("controller_c",),
        kind="high",
        raise_at=75.0,
        clear_at=65.0,
        dwell_s=300.0,
        severity="act",
        unit="C",
        least=20.0,
        most=120.0,
        title="charge controller too hot",
        value_name="controller temperature",
        meaning="A controller this hot charges less than the sun gives, and wears out. A loose terminal heats it too.",
        to_do="Look for a loose or corroded terminal, blocked cooling fins, sun on the box. With panel and bank "
        "disconnected in the order its manual gives, tighten what is loose.",
        source="common practice, no source",
        touches=("site", "bank"),
        calm_s=20.0 * HOUR_S,  # a heat of each afternoon is one alert
    ),
    Rule(
        name="enclosure-hot",
        fact="enclosure_c",
        needs=("enclosure_c",),
        kind="high",
        raise_at=55.0,
        clear_at=50.0,
        dwell_s=300.0,
        severity="act",
        unit="C",
        least=20.0,
        most=100.0,
        title="enclosure too hot",
        value_name="enclosure temperature",
        meaning="All that is inside ages, and commercial parts are made for up to 70 C at the part itself, which is "
        "warmer than the air around it.",
        to_do="Give shade and a way for warm air to get out. Lower the transmitter's power or its time on the air "
        "until it has cooled.",
        source="commercial temperature range 0 to 70 C, from memory, less 15 K for self-heating; common practice",
        touches=("site",),
        calm_s=20.0 * HOUR_S,  # a heat of each afternoon is one alert
    ),
    Rule(
        name="computer-hot",
        fact="computer_c",
        needs=("computer_c",),
        kind="high",
        raise_at=80.0,
        clear_at=70.0,
        dwell_s=300.0,
        severity="act",
        unit="C",
        least=20.0,
        most=120.0,
        title="monitoring computer too hot",
        value_name="computer temperature",
        meaning="The computer that keeps this watch is about to slow down, and may stop.",
        to_do="See whether the whole enclosure is hot; if not, its cooling is blocked or it is busy with something "
        "that should not run.",
        source="small computers begin to slow near 80 to 85 C, from memory",
        touches=("site",),
        covered_by=("enclosure-hot",),
        calm_s=20.0 * HOUR_S,  # a heat of each afternoon is one alert
    ),
)


def _ahead(part: str, words: str, touches: tuple[str, ...]) -> Rule:
    return Rule(
        name=f"{part}-heat-ahead",
        fact=f"{part}_hot_h",
        kind="low",
        raise_at=1.0,
        clear_at=4.0,
        dwell_s=900.0,
        severity="advice",
        unit="h",
        least=0.1,
        most=24.0,
        title=f"{words} on the way to too hot",
        value_name="hours to its limit, if it goes on rising like this",
        meaning=f"The {words} warms up so fast that it will pass its limit soon, and slows down too little for less.",
        to_do="Lower the power or the time on the air now, before it must be done. Remember it when you are there "
        "next: shade, a vent that has closed, a terminal that runs hot.",
        source="the rise of the last hour carried on, slowing as it did; an hour is common practice, no source",
        touches=touches,
        calm_s=6.0 * HOUR_S,
        tells_end=False,
        covered_by=(f"{part}-hot",),
        needs=(f"{part}_c",),
    )


AHEAD_RULES = (
    _ahead("bank", "bank", ("site", "bank")),
    _ahead("controller", "charge controller", ("site", "bank")),
    _ahead("enclosure", "enclosure", ("site",)),
)
