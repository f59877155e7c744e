"""The rules about the bank: how low, how hot, how cold it may be."""

from types import MappingProxyType

from shared.rule import Growth, Rule

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
        covered_by=("bank-critical",),
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
    Rule(
        name="bank-critical",
        fact="soc_frac",
        kind="low",
        raise_at=0.25,
        clear_at=0.32,
        dwell_s=600.0,
        severity="urgent",
        unit="share",
        least=0.01,
        most=0.90,
        title="bank nearly empty",
        value_name="charge left",
        meaning="The bank is far below its half mark: the controller will cut the load off soon, and a lead-acid bank "
        "that stays so low sulphates, and freezes sooner.",
        to_do="Switch off all that is not needed for calling for help. Charge it by another source within days. A bank "
        "that was this low needs a full charge before its capacity can be trusted again.",
        source="half of the usual half mark; common practice, no source",
        touches=("site", "bank"),
        by_chemistry=MappingProxyType({"lifepo4": (0.15, 0.22)}),
    ),
    Rule(
        name="lithium-cold-charge",
        fact="bank_c",
        kind="low",
        raise_at=0.0,
        clear_at=2.0,
        dwell_s=60.0,
        severity="urgent",
        unit="C",
        least=-30.0,
        most=15.0,
        title="lithium bank charged while it freezes",
        value_name="bank temperature while charging",
        meaning="Charged below 0 C, lithium cells plate metal inside: capacity is lost for good, and a cell may short "
        "later. Nothing shows of it at the time.",
        to_do="Stop the charge now, from afar if you can: the panel off, or the controller set to no charge below 5 C. "
        "Then find out why its own protection let it happen, and warm or insulate the bank.",
        source="no charging below 0 C (cell sheets, from memory)",
        touches=("site", "bank"),
        chemistries=("lifepo4",),
        only_if="charging",
        needs=("bank_c",),
        calm_s=900.0,
    ),
    Rule(
        name="bank-freezing",
        fact="freeze_margin_k",
        kind="low",
        raise_at=5.0,
        clear_at=8.0,
        dwell_s=1800.0,
        severity="act",
        unit="K",
        least=0.0,
        most=30.0,
        title="bank near freezing for its charge",
        value_name="kelvin above the freezing point of its acid",
        meaning="The less charge is left, the sooner the acid freezes. Ice bends plates and cracks the case, and acid "
        "runs out when it thaws.",
        to_do="Get charge into it: load off, another charger. Do not charge a bank that is frozen; let it thaw first, "
        "and look for a bulged or cracked case.",
        source="TM 5-1185 Table III and a vehicle owner's manual, the safe ones of three disagreeing tables",
        touches=("site", "bank"),
        chemistries=("flooded", "agm", "gel"),
        grows=(Growth("urgent", at=2.0),),
        needs=("bank_c",),
    ),
    Rule(
        name="recovery-slow",
        fact="recovery_d",
        kind="high",
        raise_at=5.0,
        clear_at=0.5,
        dwell_s=0.0,
        severity="advice",
        unit="d",
        least=0.5,
        most=120.0,
        title="bank does not recover",
        value_name="days since it was charged to 85 %",
        meaning="For days the sun has not made up for what the load takes. Lead-acid that stays part charged "
        "sulphates, and there is less and less for the next dark days.",
        to_do="Compare sun and load of the last days: a short panel (dirt, shade, snow), a load that grew, or a panel "
        "too small for the season. Lower the load, or bring a charge.",
        source="three to five days of autonomy are the usual design, from memory; the rest common practice, no source",
        touches=("site", "bank"),
        by_chemistry=MappingProxyType({"lifepo4": (14.0, 0.5)}),
        grows=(Growth("act", at=20.0),),
        covered_by=("bank-critical",),
    ),
)
