"""The rules about what the transmitter does and what else draws current."""

from shared.rule import HOUR_S, Growth, Rule

AIRTIME_RULES = (
    Rule(
        name="stuck-transmitter",
        fact="transmitting_s",
        kind="high",
        raise_at=600.0,
        clear_at=30.0,
        dwell_s=0.0,
        severity="act",
        unit="s",
        least=30.0,
        most=86_400.0,
        title="transmitter keyed for very long",
        value_name="time keyed without a pause",
        meaning="The transmitter has been keyed all this time, or something else draws as much as it does. It empties "
        "the bank about ten times as fast as an idle repeater, heats the radio and blocks the channel.",
        to_do="Listen: is it on the air, and with what? Switch it off by its own remote control if there is one; a "
        "time-out timer in the repeater ends this without you. Reception of a stuck or distant signal, a wet "
        "connector in the key line and a failed controller are the usual causes.",
        source="time-out timers end an over after about three minutes, a busy net may keep a repeater keyed longer; "
        "common practice, no source",
        touches=("site",),
        calm_s=60.0,
        grows=(Growth("urgent", at=HOUR_S),),
    ),
    Rule(
        name="silent-transmitter",
        fact="keying_pause_ratio",
        kind="high",
        raise_at=3.0,
        clear_at=1.0,
        dwell_s=0.0,
        severity="act",
        unit="times",
        least=1.0,
        most=100.0,
        title="transmitter not keyed for unusually long",
        value_name="time since the last keying, against the longest usual pause",
        meaning="The transmitter has not been keyed for several times its longest usual pause, at least a day. The "
        "repeater may be deaf, off, or without its antenna.",
        to_do="Call it up from below. If it does not answer, see whether its idle current is still there in `halfmark "
        "airtime`: gone means no supply, there means receiver, antenna or key line.",
        source="three times the longest usual pause, which counts as 8 h at least; common practice, no source",
        touches=("site",),
    ),
    Rule(
        name="transmit-current-changed",
        fact="transmit_a_shift",
        kind="high",
        raise_at=0.15,
        clear_at=0.08,
        dwell_s=0.0,
        severity="advice",
        unit="share",
        least=0.02,
        most=2.0,
        title="transmit current has changed",
        value_name="change of what keying adds to the current, newest twenty keyings against the usual",
        meaning="Keying draws another current than it used to, by more than its spread lets expect. Less is often a "
        "failing final stage, a lower power setting or a low supply; more is often a bad antenna or feed line.",
        to_do="Compare with the radio's power setting and ask whether anybody changed it. Else measure power and the "
        "match of the antenna at the next visit, with the transmitter in a dummy load first.",
        source="15 % and at least four standard errors of the median; judgement",
        touches=("site",),
    ),
    Rule(
        name="unknown-load",
        fact="unexplained_a",
        kind="high",
        raise_at=0.15,
        clear_at=0.06,
        dwell_s=1200.0,
        severity="advice",
        unit="A",
        least=0.01,
        most=100.0,
        title="a load that should not be there",
        value_name="steady draw above the usual with the transmitter quiet",
        meaning="Something draws a steady current that was not there before. 0.15 A takes 3.6 Ah a day.",
        to_do="Ask who was there or switched something by remote control. Else look for what was left on, for a radio "
        "that hangs in transmit at low power, for water in a connector. Leave what protects the site alone.",
        source="a sixth of a small bank in a day; common practice, no source",
        touches=("site",),
    ),
)
