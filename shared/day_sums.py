"""What a day brought: lowest charge, Ah of sun and load, highest temperature; for the summary of each 24 h."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields

from shared.look import Look

STEP_MOST_S = 900.0  # a longer time between two looks was not seen


@dataclass(slots=True)
class DaySums:
    """Sums since the last summary; None: not known.

    Attributes:
        seen_s: of the time something was known, s.
        sun_ah: out of the controllers; load_ah: taken by everything at the site.
        soc_least: lowest charge; heat_c, heat_at: the highest temperature, and of what.
    """

    seen_s: float = 0.0
    sun_ah: float | None = None
    load_ah: float | None = None
    soc_least: float | None = None
    heat_c: float | None = None
    heat_at: str = ""

    def fold(self, look: Look, dt_s: float) -> None:
        """Fold in one instant that stands for the `dt_s` seconds before it."""
        if look.soc_frac is not None:
            self.soc_least = look.soc_frac if self.soc_least is None else min(self.soc_least, look.soc_frac)
        for name, value in (("bank", look.bank_c), ("controller", look.controller_c), ("enclosure", look.enclosure_c)):
            if value is not None and (self.heat_c is None or value > self.heat_c):
                self.heat_c, self.heat_at = value, name
        if not 0.0 < dt_s <= STEP_MOST_S:
            return
        self.seen_s += dt_s if look.soc_frac is not None else 0.0
        sun_a, load_a = _flows(look)
        if sun_a is not None:
            self.sun_ah = (self.sun_ah or 0.0) + sun_a * dt_s / 3600.0
        if load_a is not None:
            self.load_ah = (self.load_ah or 0.0) + load_a * dt_s / 3600.0

    def snapshot(self) -> dict[str, object]:
        """What must survive a restart."""
        return asdict(self)

    @classmethod
    def resume(cls, saved: Mapping[str, object]) -> "DaySums":
        """Take a snapshot back; a field that is not there is not known."""
        return cls(**{row.name: saved[row.name] for row in fields(cls) if row.name in saved})  # type: ignore[arg-type]


def _flows(look: Look) -> tuple[float | None, float | None]:
    """Sun and load now, A: the load is all that does not reach the bank, else what the load's meter shows."""
    sun_a = look.charge_a
    if sun_a is None and look.panel_w is not None and look.bank_v:
        sun_a = look.panel_w / look.bank_v
    if sun_a is None:
        return None, look.load_a
    sun_a = max(0.0, sun_a)
    return sun_a, look.load_a if look.bank_a is None else max(0.0, sun_a - look.bank_a)
