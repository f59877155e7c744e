"""The rules about the charge: sun without charge, a panel that gives too little, current back at night."""

from shared.rule import Growth, Rule

CHARGE_RULES = (
    Rule(
        name="sun-no-charge",
        fact="light_idle_h",
        kind="high",
        raise_at=3.0,
        clear_at=0.5,
        dwell_s=0.0,
        severity="act",
        unit="h",
        least=0.5,
        most=48.0,
        title="sun, but no charge",
        value_name="hours of light without any charge",
        meaning="There is light on the panel, or the sun stands high, and nothing reaches the bank: it lives on its "
        "reserve alone.",
        to_do="Look at the panel's voltage: near nothing points to the panel's lead, its fuse or breaker, or something "
        "that covers it; well above the bank's points to the controller or the fuse between it and the bank.",
        source="thick cloud still gives some charge; three hours are common practice, no source",
        touches=("site", "bank"),
        grows=(Growth("urgent", at=16.0),),
        needs=("charge_a", "panel_w"),
    ),
    Rule(
        name="panel-covered",
        fact="sun_share_now",
        kind="low",
        raise_at=0.12,
        clear_at=0.25,
        dwell_s=0.0,
        severity="act",
        unit="share",
        least=0.01,
        most=0.5,
        title="panel gives next to nothing",
        value_name="best half hour of the last two days, against this site's clear days",
        meaning="For two days not even the best half hour came near to what this sun gives: snow or leaves on the "
        "panel, or weather as dark as it rarely is.",
        to_do="Look at a picture or ask somebody who lives near: is there snow? It slides off by itself when the sun "
        "is back; nobody climbs on ice for it. Lower the load until then.",
        source="thick cloud leaves a quarter of the light (Kasten and Czeplak 1980, from memory), snow far less",
        touches=("site",),
        covered_by=("sun-no-charge",),
        needs=("panel_w",),
    ),
    Rule(
        name="charge-weak",
        fact="sun_share_week",
        kind="low",
        raise_at=0.70,
        clear_at=0.80,
        dwell_s=0.0,
        severity="advice",
        unit="share",
        least=0.1,
        most=0.95,
        title="charge weaker than this sun deserves",
        value_name="best half hour of the week, of morning or afternoon, against this site's clear days",
        meaning="In a whole week no half hour came near to what this panel gives in clear sun: dust, droppings, a tree "
        "that has grown, a cell or a connector that fails.",
        to_do="Clean the panel and look for new shade, mornings and afternoons apart. Then look at its connectors and "
        "the controller's terminals for heat and corrosion.",
        source="a week has a clear half hour; 30 % less is common practice, no source",
        touches=("site",),
        covered_by=("panel-covered", "sun-no-charge"),
        needs=("panel_w",),
    ),
    Rule(
        name="night-backflow",
        fact="backflow_a",
        kind="high",
        raise_at=0.025,
        clear_at=0.010,
        dwell_s=1800.0,
        severity="advice",
        unit="A",
        least=0.005,
        most=2.0,
        title="current runs back into the dark panel",
        value_name="current from the bank into the panel at night",
        meaning="What should let current only into the bank lets it out at night: the bank heats the panel, and loses "
        "each night what a short winter day brings.",
        to_do="The controller, or the diode in the panel's lead, is faulty. Until it is changed somebody may switch "
        "the panel off for the night; never with bare hands on live terminals.",
        source="above the leakage of a sound diode or switch, a few milliampere; common practice, no source",
        touches=("site", "bank"),
        calm_s=1800.0,
        needs=("panel_w",),
    ),
)
