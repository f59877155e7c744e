"""The rules about the watch itself: instruments, lines, clock, record, sending, the service."""

from shared.rule import Rule

SILENT_TURNS = 12.0  # periods without an answer that are silence, and not below a minute
SILENT_LEAST_S = 60.0
ANSWERING_TURNS = 3.0  # an answer younger than this many periods ends the silence
QUIET_LINE_S = 45.0  # before the first instrument of a line counts as silent, so that one notice tells of all

SERVICE_RULES = (
    Rule(
        name="line-down",
        fact="line_down_s",
        kind="high",
        raise_at=QUIET_LINE_S,
        clear_at=1.0,
        dwell_s=0.0,
        severity="act",
        unit="s",
        least=1.0,
        most=604_800.0,
        title="line is down",
        value_name="time without an answer of any instrument on the line",
        meaning="No instrument on this line answers: what they measure is not known now, and the estimate grows wider "
        "by the hour.",
        to_do="Look at the adapter, its plug and its power, then at the cable from it to the first instrument. "
        "`halfmark status` tells what the port says.",
        source="less than the silence of one instrument, so that one notice tells of all; common practice, no source",
        touches=("site",),
        per_line=True,
        calm_s=10.0,
    ),
    Rule(
        name="instrument-silent",
        fact="silent_s",
        kind="high",
        raise_at=SILENT_LEAST_S,
        clear_at=SILENT_LEAST_S / 4.0,
        dwell_s=0.0,
        severity="act",
        unit="s",
        least=5.0,
        most=604_800.0,
        title="instrument does not answer",
        value_name="time without an answer",
        meaning="What this instrument measures is not known now; estimates that need it grow wider by the hour.",
        to_do="Look at `halfmark status`: one silent instrument points to its plug, its supply or its address.",
        source="twelve missed turns, at least a minute; common practice, no source",
        touches=("site",),
        per_instrument=True,
        calm_s=30.0,
        covered_by=("line-down",),
    ),
    Rule(
        name="reading-implausible",
        fact="suspect_share",
        kind="high",
        raise_at=0.2,
        clear_at=0.05,
        dwell_s=300.0,
        severity="act",
        unit="share",
        least=0.001,
        most=1.0,
        title="readings that cannot be true",
        value_name="share of recent readings that cannot be true",
        meaning="The instrument answers, but with values no such site can have; they are kept out of all estimates.",
        to_do="Check its register map against the manual, its earth and cable shield, and whether a transmitter "
        "close by disturbs it (do they come with the keying?).",
        source="common practice, no source",
        touches=("site",),
        per_instrument=True,
        covered_by=("instrument-silent", "line-down"),
    ),
)
