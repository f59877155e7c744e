"""The rules about the bank: how low, how hot, how cold it may be."""

from types import MappingProxyType

from shared.rule import Rule

BANK_RULES = (
    Rule(
        name="below-half-mark",
        fact="share_below_half",
        kind="high",
        raise_at=0.5,
        clear_at=0.2,
        dwell_s=600.0,
        severity="urgent",
        unit="share",
        least=0.01,
        most=0.99,
        title="bank below its half mark",
        value_name="chance that the bank is below its half mark",
        meaning="The bank has less charge left than its half mark. Lead-acid loses life with each such night, "
        "and the reserve for the coming dark days is gone.",
        to_do="Cut the load: shorten long transmissions, lower the power, switch off what is not needed. Look at "
        "the panel and charge readings of the last days: snow, shade, a blown fuse or a load that should not be "
        "there. Charge by another source when the weather stays dark.",
        source="at least as likely below as above; the calm limit and dwell are common practice, no source",
        touches=("site", "bank"),
    ),
    Rule(
        name="bank-hot",
        fact="bank_c",
        needs=("bank_c",),
        kind="high",
        raise_at=45.0,
        clear_at=40.0,
        dwell_s=300.0,
        severity="act",
        unit="C",
        least=20.0,
        most=80.0,
        title="bank too hot",
        value_name="bank temperature",
        meaning="Heat ages the bank fast: lead-acid life halves for each 8 to 10 K above 20 to 25 C, lithium should "
        "not be charged this hot. A bank that warms up without sun on it may be failing.",
        to_do="Compare with the enclosure: if the bank alone is hot, stop charging it (from afar if you can) and keep "
        "away until it has cooled. Give shade and air; check the charger's voltage and its temperature probe.",
        source="life halves per 8 to 10 K (trade figure for sealed lead-acid), a quarter is left at 45 C; lithium "
        "charge limit 45 to 55 C from cell sheets, from memory; flooded 50 C common practice, no source",
        touches=("site", "bank"),
        by_chemistry=MappingProxyType({"flooded": (50.0, 45.0)}),
    ),
)
